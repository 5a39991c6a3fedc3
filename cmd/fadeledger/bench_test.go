package main

import (
	"context"
	"fmt"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest"
	"fadeledger/ingest/broker"
	"fadeledger/store"
	"fadeledger/store/storetest"
)

// benchUnits and benchDays make about 1.4 million samples a minute apart.
const (
	benchUnits = 40
	benchDays  = 25
)

// BenchmarkEndToEnd measures the way from a stream that is full to a ledger
// that is up to date, with one worker, as a ratio to one COPY of the same rows
// in the same order into a plain table with the key (unit, t), in the same
// server right before. Above 1 the service is faster than the plain COPY.
func BenchmarkEndToEnd(b *testing.B) {
	for _, size := range []int{60, 1000} {
		b.Run(fmt.Sprintf("samples=%d", size), func(b *testing.B) {
			url, _ := storetest.Alone(b, nil)
			fleet, err := household.NewFleet(1, benchUnits, analytics.Instant(1780272000000), benchDays, analytics.Minute)
			if err != nil {
				b.Fatal(err)
			}
			var ratio, rate float64
			for range b.N {
				plain, perSecond := endToEnd(b, url, fleet, size, true)
				ratio += perSecond / plain
				rate += perSecond
			}
			b.ReportMetric(ratio/float64(b.N), "×COPY")
			b.ReportMetric(rate/float64(b.N), "samples/s")
		})
	}
}

// endToEnd measures once; bounded has the worker turn into its role, and every
// collector bound to its units.
func endToEnd(b *testing.B, url string, fleet *household.Fleet, size int, bounded bool) (plain, perSecond float64) {
	b.StopTimer()
	defer b.StartTimer()
	ctx := context.Background()
	s := &services{log: discard()}
	defer s.Close()
	embedded, err := broker.StartEmbedded(ctx, broker.EmbeddedConfig{
		DataDir: filepath.Join(b.TempDir(), "broker"), Logger: discard(), Sync: broker.SyncLater,
	})
	if err != nil {
		b.Fatal(err)
	}
	s.onClose(func(ctx context.Context) { _ = embedded.Shutdown(ctx) })
	nc, err := embedded.Connect(ctx)
	if err != nil {
		b.Fatal(err)
	}
	s.onClose(func(context.Context) { nc.Close() })
	if _, err := s.open(ctx, url, nc, broker.Config{MaxBytes: embedded.StreamBytes()}, 1, store.ForWorker, store.ForWeb); err != nil {
		b.Fatal(err)
	}
	owner, err := store.Open(ctx, url, discard())
	if err != nil {
		b.Fatal(err)
	}
	defer owner.Close()
	emptyLedger(b, owner)
	if err := registerFleet(ctx, s.web, fleet); err != nil {
		b.Fatal(err)
	}
	if bounded {
		if err := bindFleet(ctx, s.web, fleet); err != nil {
			b.Fatal(err)
		}
	} else {
		s.db.Close()
		s.db = owner
	}
	readings := publishAll(b, s, fleet, size)
	plain = float64(len(readings)) / plainCopy(b, owner, readings).Seconds()

	var left atomic.Int64
	left.Store(int64(len(readings)))
	all := make(chan struct{})
	leases := s.db.NewLeases()
	defer leases.Close(ctx)
	worker, err := ingest.NewWorker(ctx, ingest.Config{Ledger: s.db, Leases: leases, Stream: s.stream, Logger: discard(),
		Counted: func(_ int, tally analytics.DeliveryTally) {
			if left.Add(-tally.Read) == 0 {
				close(all)
			}
		}})
	if err != nil {
		b.Fatal(err)
	}
	run, cancel := context.WithCancel(ctx)
	done := make(chan error, 1)
	b.StartTimer()
	began := time.Now()
	go func() { done <- worker.Run(run) }()
	<-all
	took := time.Since(began)
	b.StopTimer()
	cancel()
	if err := <-done; err != nil {
		b.Fatal(err)
	}
	var counted int64
	if err := owner.Pool().QueryRow(ctx, `SELECT sum(accepted) FROM delivery`).Scan(&counted); err != nil || counted != int64(len(readings)) {
		b.Fatalf("%d samples counted of %d, %v", counted, len(readings), err)
	}
	return plain, float64(len(readings)) / took.Seconds()
}

func emptyLedger(b *testing.B, db *store.DB) {
	b.Helper()
	_, err := db.Pool().Exec(context.Background(), `
		TRUNCATE unit, unit_ledger, unit_standing, unit_day, excursion, unit_event, recount,
			sample_run, sample_block, sample_other, delivery, collector, collector_note, quarantine,
			correction, placement, receipt, asking, collector_login`)
	if err != nil {
		b.Fatal(err)
	}
}

// publishAll publishes the fleet's history, each delivery with the samples of
// one unit, as an upload has them, and gives the samples in their order.
func publishAll(b *testing.B, s *services, fleet *household.Fleet, size int) []household.Reading {
	b.Helper()
	var all []household.Reading
	type unit struct {
		battery *household.Battery
		home    household.Home
	}
	var units []unit
	for _, h := range fleet.Homes {
		h.Config.Faults.Outages, h.Config.Faults.Silent, h.Config.Start = nil, nil, fleet.End-analytics.Instant(benchDays*analytics.DayLength)
		battery, err := household.New(h.Config)
		if err != nil {
			b.Fatal(err)
		}
		units = append(units, unit{battery, h})
	}
	byCollector := map[string][]broker.Message{}
	for range benchDays * 1440 / size {
		for _, u := range units {
			readings := make([]household.Reading, size)
			for i := range readings {
				readings[i] = household.Reading{Serial: u.home.Unit.Serial, Sample: u.battery.Next()}
			}
			all = append(all, readings...)
			byCollector[u.home.Collector] = append(byCollector[u.home.Collector], messageOf(household.Delivery{Readings: readings}))
		}
	}
	for collector, messages := range byCollector {
		series := func(yield func(broker.Message, error) bool) {
			for _, m := range messages {
				if !yield(m, nil) {
					return
				}
			}
		}
		if err := s.publisher.PublishMany(context.Background(), collector, series, nil); err != nil {
			b.Fatal(err)
		}
	}
	return all
}

// plainCopy copies the samples into a plain table with a key.
func plainCopy(b *testing.B, db *store.DB, readings []household.Reading) time.Duration {
	b.Helper()
	ctx := context.Background()
	number := map[analytics.Serial]int32{}
	rows := make([][]any, len(readings))
	for i, r := range readings {
		if _, ok := number[r.Serial]; !ok {
			number[r.Serial] = int32(len(number))
		}
		rows[i] = []any{number[r.Serial], int64(r.Time), int16(r.SoC), int32(r.Power), int32(r.Current),
			int32(r.Voltage), int32(r.Temp), int64(r.Charge), int64(r.Discharge)}
	}
	if _, err := db.Pool().Exec(ctx, `
		DROP TABLE IF EXISTS plain;
		CREATE TABLE plain (unit int, t bigint, soc smallint, power int, current int, voltage int, temp int,
			charge bigint, discharge bigint, PRIMARY KEY (unit, t));
		CHECKPOINT`); err != nil {
		b.Fatal(err)
	}
	began := time.Now()
	n, err := db.Pool().CopyFrom(ctx, pgx.Identifier{"plain"},
		[]string{"unit", "t", "soc", "power", "current", "voltage", "temp", "charge", "discharge"}, pgx.CopyFromRows(rows))
	if err != nil || n != int64(len(rows)) {
		b.Fatalf("copied %d rows of %d, %v", n, len(rows), err)
	}
	return time.Since(began)
}
