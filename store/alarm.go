package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
)

// Raise notes that somebody has to look at something. An alarm that is open
// already is not raised twice: its words and its count change.
func (db *DB) Raise(ctx context.Context, kind analytics.AlarmKind, subject, message string) error {
	_, err := db.pool.Exec(ctx, `
		INSERT INTO alarm AS a (kind, subject, message, raised_at, last_at)
		VALUES ($1, $2, $3, $4, $4)
		ON CONFLICT (kind, subject) WHERE cleared_at IS NULL DO UPDATE SET
			message = EXCLUDED.message, last_at = EXCLUDED.last_at, times = a.times + 1`,
		string(kind), plain(subject), plain(message), db.now())
	if err != nil {
		return fmt.Errorf("raise alarm %s: %w", kind, err)
	}
	return nil
}

// Settle clears the open alarm of a kind and subject, if there is one, because
// its cause is gone.
func (db *DB) Settle(ctx context.Context, kind analytics.AlarmKind, subject string) error {
	_, err := db.pool.Exec(ctx, `
		UPDATE alarm SET cleared_at = $3, cleared_by = 'the service'
		WHERE kind = $1 AND subject = $2 AND cleared_at IS NULL`, string(kind), plain(subject), db.now())
	if err != nil {
		return fmt.Errorf("settle alarm %s: %w", kind, err)
	}
	return nil
}

// ClearAlarm notes that somebody has seen to an alarm. ErrNotFound: there is no
// such open alarm.
func (db *DB) ClearAlarm(ctx context.Context, id int64, by string) error {
	err := db.inTx(ctx, func(tx pgx.Tx) error {
		var kind, subject string
		err := tx.QueryRow(ctx, `
			UPDATE alarm SET cleared_at = $2, cleared_by = $3 WHERE alarm_id = $1 AND cleared_at IS NULL
			RETURNING kind, subject`, id, db.now(), by).Scan(&kind, &subject)
		if err != nil {
			return err
		}
		return db.record(ctx, tx, analytics.DeedCleared, fmt.Sprintf("alarm %d", id), kind+": "+subject)
	})
	if err != nil {
		return fmt.Errorf("clear alarm %d: %w", id, mapError(err))
	}
	return nil
}

// alarmsShown bounds a list of alarms.
const alarmsShown = 50

// Alarms lists the open alarms, the newest first, and after them the last ones
// that were cleared.
func (db *DB) Alarms(ctx context.Context) ([]analytics.Alarm, error) {
	rows, err := db.pool.Query(ctx, `
		SELECT alarm_id, kind, subject, message, raised_at, last_at, times, cleared_at, coalesce(cleared_by, '')
		FROM alarm ORDER BY cleared_at IS NOT NULL, last_at DESC, alarm_id DESC LIMIT $1`, alarmsShown)
	if err != nil {
		return nil, fmt.Errorf("list alarms: %w", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[analytics.Alarm])
	if err != nil {
		return nil, fmt.Errorf("list alarms: %w", err)
	}
	return list, nil
}
