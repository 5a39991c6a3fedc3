package store_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"log/slog"
	"math"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/store"
	"fadeledger/store/storetest"
)

// sixMeasurements is what an ordinary gateway reports beside the time.
const sixMeasurements = analytics.HasSoC | analytics.HasPower | analytics.HasVoltage | analytics.HasTemp |
	analytics.HasCharge | analytics.HasDischarge

// village makes one-minute samples of households, one series each, cut to the
// named fields.
func village(t testing.TB, homes int, report analytics.Fields, from analytics.Instant, n int) [][]analytics.Sample {
	t.Helper()
	fleet, err := household.NewFleet(21, homes, from, 30, analytics.Minute)
	if err != nil {
		t.Fatal(err)
	}
	out := make([][]analytics.Sample, homes)
	for i, h := range fleet.Homes {
		cfg := h.Config
		cfg.Start, cfg.Report, cfg.Faults = from-day, report, household.Faults{}
		b, err := household.New(cfg)
		if err != nil {
			t.Fatal(err)
		}
		for range 1440 {
			b.Next()
		}
		out[i] = make([]analytics.Sample, n)
		for j := range out[i] {
			out[i][j] = b.Next()
		}
	}
	return out
}

func serials(n int) []analytics.Serial {
	out := make([]analytics.Serial, n)
	for i := range out {
		out[i] = analytics.Serial(fmt.Sprintf("HB5-%06d", i))
	}
	return out
}

// uploads makes one delivery for each unit with its samples [from, to); the
// units share the series.
func uploads(sequence *uint64, units []analytics.Serial, series [][]analytics.Sample, from, to int) []analytics.Incoming {
	out := make([]analytics.Incoming, len(units))
	for i, s := range units {
		*sequence++
		part := series[i%len(series)][from:to]
		out[i] = stored(part[len(part)-1].Time, *sequence, s, part)
		out[i].Batch = fmt.Sprintf("b-%d", *sequence)
	}
	return out
}

const sizeOfSamples = `
	SELECT pg_total_relation_size('sample_block') +
		(SELECT coalesce(sum(pg_total_relation_size(inhrelid)), 0) FROM pg_inherits WHERE inhparent = 'sample_run'::regclass)::bigint`

// TestStoredBytesASample holds the goals for what samples take on disk with
// their rows, indexes and everything: an hour as it arrived in uploads of 60
// samples at most 10 bytes a sample, a sealed day at most 4.5 as inserted.
// Sealing leaves dead rows, whose room vacuum gives to the next day: what the
// tables grow by from day to day depends on when that happens, and is held to
// 6 bytes here.
func TestStoredBytesASample(t *testing.T) {
	for _, c := range []struct {
		name   string
		report analytics.Fields
	}{{"six measurements", sixMeasurements}, {"all eight measurements", analytics.Measured}} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			storedBytes(t, c.report)
		})
	}
}

func storedBytes(t *testing.T, report analytics.Fields) {
	const units, days, settled = 100, 7, 4
	db := open(t)
	start := (noon.Day() - days).Start()
	at(db, start)
	names := serials(units)
	catalogue(t, db, names...)
	series := village(t, 20, report, start, days*1440)
	var sequence uint64
	var hot, then int64
	for d := range days {
		midnight := start + analytics.Instant(d)*day
		at(db, midnight)
		if err := db.EnsurePartitions(context.Background(), midnight.Day()-2, midnight.Day()+1); err != nil {
			t.Fatal(err)
		}
		before := number(t, db, sizeOfSamples)
		for hour := range 24 {
			at(db, midnight+analytics.Instant(hour+1)*3_600_000)
			take(t, db, uploads(&sequence, names, series, d*1440+hour*60, d*1440+hour*60+60)...)
		}
		if d == 0 {
			hot = number(t, db, sizeOfSamples) - before
		}
		at(db, midnight+day+3*3_600_000)
		seal(t, db, 2*time.Hour)
		if _, err := db.Pool().Exec(context.Background(), `VACUUM sample_block`); err != nil {
			t.Fatal(err)
		}
		if d+1 == settled {
			then = number(t, db, sizeOfSamples)
		}
	}
	if n := number(t, db, `SELECT count(*) FROM sample_block WHERE sealed AND samples = 1440`); n != units*days {
		t.Fatalf("%d days are sealed whole, want %d", n, units*days)
	}
	hour := float64(hot) / (units * 1440)
	grown := float64(number(t, db, sizeOfSamples)-then) / (units * 1440 * (days - settled))
	exec(t, db, `CREATE TABLE sealed_only (LIKE sample_block INCLUDING ALL)`)
	exec(t, db, `INSERT INTO sealed_only SELECT * FROM sample_block WHERE sealed`)
	sealed := float64(number(t, db, `SELECT pg_total_relation_size('sealed_only')`)) / (units * 1440 * days)
	t.Logf("hot hour %.2f, sealed day %.2f bytes a sample; grown by %.2f a sample from day to day; all tables after %d days %.2f",
		hour, sealed, grown, days, float64(number(t, db, sizeOfSamples))/(units*1440*days))
	if grown > 6 {
		t.Errorf("the tables grow by %.2f bytes a sample from day to day, want at most 6", grown)
	}
	if hour > 10 {
		t.Errorf("an hour takes %.2f bytes a sample, want at most 10", hour)
	}
	if sealed > 4.5 {
		t.Errorf("a sealed day takes %.2f bytes a sample, want at most 4.5", sealed)
	}
	checkOffline(t, db, names[0], series[0])
}

// alone opens a server of its own, whose log nobody else writes to.
func alone(t testing.TB) *store.DB {
	t.Helper()
	url, _ := storetest.Alone(t, map[string]string{"max_wal_size": "8GB", "checkpoint_timeout": "1h", "autovacuum": "off", "wal_compression": "lz4"})
	db, err := store.Open(context.Background(), url, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	return db
}

// logged gives the bytes that do writes to the server's log.
func logged(t testing.TB, db *store.DB, do func()) int64 {
	t.Helper()
	var before string
	if err := db.Pool().QueryRow(context.Background(), `SELECT pg_current_wal_insert_lsn()::text`).Scan(&before); err != nil {
		t.Fatal(err)
	}
	do()
	return number(t, db, `SELECT (pg_current_wal_insert_lsn() - $1::pg_lsn)::bigint`, before)
}

// keyedTable is what samples would be as rows: the baseline of the goals.
const keyedTable = `CREATE TABLE keyed (
	unit_id int NOT NULL, t bigint NOT NULL, soc real, power real, voltage real, temp real, charge bigint, discharge bigint,
	PRIMARY KEY (unit_id, t))`

// keyedRows encodes the samples of deliveries as rows of keyedTable for a
// binary COPY.
func keyedRows(in []analytics.Incoming, ids map[analytics.Serial]int32) []byte {
	b := []byte("PGCOPY\n\xff\r\n\x00\x00\x00\x00\x00\x00\x00\x00\x00")
	four := func(v uint32) { b = binary.BigEndian.AppendUint32(append(b, 0, 0, 0, 4), v) }
	eight := func(v int64) { b = binary.BigEndian.AppendUint64(append(b, 0, 0, 0, 8), uint64(v)) }
	for i := range in {
		for _, u := range in[i].Units {
			for j := range u.Samples {
				s := &u.Samples[j]
				b = append(b, 0, 8)
				four(uint32(ids[u.Serial]))
				eight(int64(s.Time))
				four(real4(float64(s.SoC)))
				four(real4(float64(s.Power)))
				four(real4(float64(s.Voltage)))
				four(real4(float64(s.Temp)))
				eight(int64(s.Charge))
				eight(int64(s.Discharge))
			}
		}
	}
	return append(b, 0xff, 0xff)
}

func real4(v float64) uint32 { return math.Float32bits(float32(v)) }

func copyKeyed(t testing.TB, db *store.DB, table string, rows []byte) {
	t.Helper()
	conn, err := db.Pool().Acquire(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Release()
	if _, err := conn.Conn().PgConn().CopyFrom(context.Background(), bytes.NewReader(rows), `COPY `+table+` FROM STDIN (FORMAT binary)`); err != nil {
		t.Fatal(err)
	}
}

func unitIDs(units []analytics.Serial) map[analytics.Serial]int32 {
	ids := make(map[analytics.Serial]int32, len(units))
	for i, s := range units {
		ids[s] = int32(i + 1)
	}
	return ids
}

func exec(t testing.TB, db *store.DB, sql string) {
	t.Helper()
	if _, err := db.Pool().Exec(context.Background(), sql); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

// TestLoggedBytesASample holds the goal for the server's log: uploads of 60
// samples write at most 0.15 of what one COPY of the same rows into a table
// with the key (unit, time) writes. All tables are warm and no checkpoint
// comes between.
func TestLoggedBytesASample(t *testing.T) {
	const units, warm, hours = 400, 2, 6
	db := alone(t)
	start := noon - (warm+hours)*3_600_000
	at(db, start)
	names := serials(units)
	catalogue(t, db, names...)
	exec(t, db, keyedTable)
	series := village(t, 20, sixMeasurements, start, (warm+hours)*60)
	var sequence uint64
	var ours, rows int64
	for hour := range warm + hours {
		at(db, start+analytics.Instant(hour+1)*3_600_000)
		in := uploads(&sequence, names, series, hour*60, hour*60+60)
		a := logged(t, db, func() { take(t, db, in...) })
		b := logged(t, db, func() { copyKeyed(t, db, "keyed", keyedRows(in, unitIDs(names))) })
		if hour >= warm {
			ours, rows = ours+a, rows+b
		}
	}
	n := float64(units * hours * 60)
	t.Logf("uploads %.1f, keyed rows %.1f bytes of log a sample: ratio %.3f", float64(ours)/n, float64(rows)/n, float64(ours)/float64(rows))
	if ratio := float64(ours) / float64(rows); ratio > 0.15 {
		t.Errorf("uploads write %.3f of what keyed rows do, want at most 0.15", ratio)
	}
}

// TestFirstBatchAfterACheckpoint holds the goal for live batches of 20 samples
// a unit: right after a checkpoint, when the first touch of every page logs the
// whole page, a sample costs at most twice as much log as otherwise.
func TestFirstBatchAfterACheckpoint(t *testing.T) {
	const units, each, warm, steady = 5000, 20, 4, 3
	db := alone(t)
	start := noon - (warm+steady+1)*each*60_000
	at(db, start)
	names := serials(units)
	catalogue(t, db, names...)
	series := village(t, 50, sixMeasurements, start, (warm+steady+1)*each)
	var sequence uint64
	batch := func(i int) int64 {
		at(db, start+analytics.Instant((i+1)*each)*60_000)
		return logged(t, db, func() { take(t, db, uploads(&sequence, names, series, i*each, (i+1)*each)...) })
	}
	for i := range warm {
		batch(i)
		exec(t, db, `VACUUM unit_ledger`)
	}
	var sum int64
	for i := range steady {
		sum += batch(warm + i)
		exec(t, db, `VACUUM unit_ledger`)
	}
	exec(t, db, `CHECKPOINT`)
	first := float64(batch(warm+steady)) / (units * each)
	usual := float64(sum) / (units * each * steady)
	t.Logf("first %.1f, steady %.1f bytes of log a sample: ratio %.2f", first, usual, first/usual)
	if first > 2*usual {
		t.Errorf("the first batch after a checkpoint writes %.1f bytes of log a sample, more than twice %.1f", first, usual)
	}
}
