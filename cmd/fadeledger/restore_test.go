package main

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/ingest/broker"
	"fadeledger/store"
)

// TestRestoredDatabaseIsMadeWhole counts a part of a history, takes a copy of
// the database as a backup would, counts the rest, and then goes on with the
// copy: the service notices what the copy lacks and reads it once more.
func TestRestoredDatabaseIsMadeWhole(t *testing.T) {
	ctx := t.Context()
	ts := newService(t)
	h := ts.backfill(t, 4, 30)
	work := func(s *services, until func() error) {
		t.Helper()
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error, 1)
		go func() { done <- s.work(ctx, 300, nil) }()
		eventually(t, "a part to be counted", until)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	counted := func(s *services, n int64) func() error {
		return func() error {
			i, err := s.db.Ingest(ctx)
			if err == nil && i.Deliveries < n {
				err = fmt.Errorf("%d deliveries of %d", i.Deliveries, n)
			}
			return err
		}
	}
	state, err := broker.State(ctx, ts.stream)
	if err != nil {
		t.Fatal(err)
	}
	copiedUpTo := int64(state.Messages)
	work(ts.services, counted(ts.services, copiedUpTo))
	restored := ts.copyDatabase(t)
	h.publishMore(t, ts)
	if state, err = broker.State(ctx, ts.stream); err != nil {
		t.Fatal(err)
	}
	if int64(state.Messages) <= copiedUpTo {
		t.Fatalf("all of %d deliveries are in the copy", state.Messages)
	}
	ts.startWorker(t)
	ts.idle(t)
	h.check(t, ts)

	second := &services{log: discard()}
	if _, err := second.open(ctx, restored, ts.nc, broker.Config{}, 1, store.ForWorker); err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	work(second, counted(second, int64(state.Messages)))
	alarms, err := second.db.Alarms(ctx)
	if err != nil || len(alarms) == 0 || alarms[0].Kind != analytics.AlarmRestored {
		t.Errorf("alarms %+v, %v", alarms, err)
	}
	copied := &testService{services: second}
	h.check(t, copied)
	if err := second.guard(ctx); err != nil {
		t.Error(err)
	}
	if again, err := second.db.Alarms(ctx); err != nil || again[0].Times != alarms[0].Times {
		t.Errorf("the alarm is raised again when all is well: %+v, %v", again, err)
	}
}

// publishMore publishes a sample more of each home, between others.
func (h history) publishMore(t testing.TB, ts *testService) {
	t.Helper()
	publisher, err := broker.NewPublisher(ts.connection(t), broker.PublisherConfig{Logger: discard()})
	if err != nil {
		t.Fatal(err)
	}
	for i, home := range h.fleet.Homes {
		s := analytics.Sample{Time: h.fleet.End - analytics.Instant(i+3)*analytics.Instant(analytics.Hour) - 17, Has: analytics.HasSoC, SoC: 333}
		h.sets[home.Unit.Serial].Add(s)
		if _, err := publisher.Publish(t.Context(), "c-more", broker.Message{
			ContentType: "application/json", Body: s.AppendJSON(nil, home.Unit.Serial),
		}); err != nil {
			t.Fatal(err)
		}
	}
}

// copyDatabase copies the database of the service, as it is at this moment.
func (ts *testService) copyDatabase(t testing.TB) (url string) {
	t.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, ts.database)
	if err != nil {
		t.Fatal(err)
	}
	name := conn.Config().Database
	conn.Close(ctx)
	// Nobody may be connected to what is copied: another database serves.
	admin, err := pgx.Connect(ctx, strings.Replace(ts.database, name, "postgres", 1))
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close(ctx)
	ts.db.Pool().Reset()
	copied := name + "_copy"
	for _, sql := range []string{
		fmt.Sprintf(`SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '%s'`, name),
		fmt.Sprintf(`CREATE DATABASE %s TEMPLATE %s`, pgx.Identifier{copied}.Sanitize(), pgx.Identifier{name}.Sanitize()),
	} {
		if _, err := admin.Exec(ctx, sql); err != nil {
			t.Fatal(err)
		}
	}
	return strings.Replace(ts.database, name, copied, 1)
}
