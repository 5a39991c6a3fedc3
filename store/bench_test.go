package store_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/analytics"
	"fadeledger/store"
)

// The benchmarks measure against B: one COPY of exactly the same rows, encoded
// beforehand, in the same order, into a plain table with the key (unit, time),
// on the same server, each run beside one of ours. An absolute rate says
// nothing here; the ratios do. Run with -benchtime 1x: an iteration is pairs runs
// of each and reports their median.
const pairs = 5

// load is a way in which samples come.
type load struct {
	name   string
	units  int
	warm   int // transactions before the clock starts
	timed  int // transactions of one run
	deepen int // samples a unit in one transaction
	// make makes one transaction of the samples [from, to) of every unit.
	make func(sequence *uint64, units []analytics.Serial, series [][]analytics.Sample, from, to int) []analytics.Incoming
	age  analytics.Instant // how long the newest sample is past
}

// ticks makes deliveries of one sample each of a thousand units.
func ticks(sequence *uint64, units []analytics.Serial, series [][]analytics.Sample, from, to int) []analytics.Incoming {
	var out []analytics.Incoming
	for i := from; i < to; i++ {
		for first := 0; first < len(units); first += 1000 {
			*sequence++
			d := stored(series[0][i].Time, *sequence, "", nil)
			d.Units = nil
			for u := first; u < min(first+1000, len(units)); u++ {
				s := series[u%len(series)]
				d.Units = append(d.Units, analytics.UnitSamples{Serial: units[u], Samples: s[i : i+1]})
			}
			out = append(out, d)
		}
	}
	return out
}

var loads = []load{
	{"G1 uploads of 60, 24k a transaction", 400, 2, 10, 60, uploads, 0},
	{"G1 uploads of 60, 60k a transaction", 1000, 2, 5, 60, uploads, 0},
	{"G2 backfill of 1000, 20k a transaction", 20, 2, 12, 1000, uploads, 30 * day},
	{"G3 ticks, 20 a unit", 5000, 1, 3, 20, ticks, 0},
	{"G3 ticks, 4 a unit", 5000, 2, 10, 4, ticks, 0},
}

func BenchmarkTake(b *testing.B) {
	for _, l := range loads {
		b.Run(l.name, func(b *testing.B) {
			for b.Loop() {
				l.run(b)
			}
		})
	}
}

func (l load) run(b *testing.B) {
	db := alone(b)
	// Every run goes on where the one before ended.
	total := (l.warm + l.timed*pairs) * l.deepen
	start := (noon - analytics.Instant(total)*60_000 - l.age)
	names := serials(l.units)
	at(db, start)
	catalogue(b, db, names...)
	series := village(b, min(50, l.units), sixMeasurements, start, total)
	var sequence uint64
	next := 0
	transaction := func() []analytics.Incoming {
		in := l.make(&sequence, names, series, next, next+l.deepen)
		next += l.deepen
		return in
	}
	clock := func(in []analytics.Incoming) { at(db, in[len(in)-1].StoredAt+l.age) }
	for range l.warm {
		in := transaction()
		clock(in)
		take(b, db, in...)
	}
	var ratios, staged []float64
	for range pairs {
		var ins [][]analytics.Incoming
		for range l.timed {
			ins = append(ins, transaction())
		}
		began := time.Now()
		for _, in := range ins {
			clock(in)
			take(b, db, in...)
		}
		ours := time.Since(began)
		ratios = append(ratios, float64(baseline(b, db, ins, names))/float64(ours))
		staged = append(staged, float64(staging(b, db, ins, names))/float64(ours))
	}
	b.ReportMetric(median(ratios), "×B")
	b.ReportMetric(median(staged), "×staging")
	b.ReportMetric(0, "ns/op")
}

func median(v []float64) float64 {
	slices.Sort(v)
	return v[len(v)/2]
}

// baseline times one COPY of all rows.
func baseline(b *testing.B, db *store.DB, ins [][]analytics.Incoming, names []analytics.Serial) time.Duration {
	b.Helper()
	exec(b, db, `DROP TABLE IF EXISTS keyed`)
	exec(b, db, keyedTable)
	rows := keyedRows(slices.Concat(ins...), unitIDs(names))
	began := time.Now()
	copyKeyed(b, db, "keyed", rows)
	return time.Since(began)
}

// staging times the same rows by way of a temporary table and ON CONFLICT, a
// transaction at a time.
func staging(b *testing.B, db *store.DB, ins [][]analytics.Incoming, names []analytics.Serial) time.Duration {
	b.Helper()
	exec(b, db, `DROP TABLE IF EXISTS keyed`)
	exec(b, db, keyedTable)
	ids := unitIDs(names)
	var rows [][]byte
	for _, in := range ins {
		rows = append(rows, keyedRows(in, ids))
	}
	began := time.Now()
	for i := range ins {
		err := pgx.BeginFunc(context.Background(), db.Pool(), func(tx pgx.Tx) error {
			if _, err := tx.Exec(context.Background(), `CREATE TEMP TABLE IF NOT EXISTS stage (LIKE keyed) ON COMMIT DELETE ROWS`); err != nil {
				return err
			}
			if err := copyIn(tx, "stage", rows[i]); err != nil {
				return err
			}
			_, err := tx.Exec(context.Background(), `INSERT INTO keyed SELECT * FROM stage ON CONFLICT DO NOTHING`)
			return err
		})
		if err != nil {
			b.Fatal(err)
		}
	}
	return time.Since(began)
}

// BenchmarkRecount: a late sample on the first day of a unit's year makes its
// ledger anew from the stored blocks; beside it the same blocks are unpacked
// and counted in memory.
func BenchmarkRecount(b *testing.B) {
	for b.Loop() {
		recountYear(b)
	}
}

func recountYear(b *testing.B) {
	db := open(b)
	const days = 365
	start := (noon.Day() - days - 3).Start()
	at(db, noon)
	catalogue(b, db, "u-1")
	series := village(b, 1, sixMeasurements, start, days*1440)[0]
	for i, d := range cut(series, 14_400, "u-1") {
		d.Sequence, d.StoredAt = uint64(i+1), noon
		take(b, db, d)
	}
	seal(b, db, 0)
	var ratios, seconds []float64
	sequence := uint64(1000)
	for range pairs {
		sequence++
		late := series[100]
		late.Time += analytics.Instant(sequence)
		began := time.Now()
		take(b, db, stored(noon, sequence, "u-1", []analytics.Sample{late}))
		recount := time.Since(began)
		memory := inMemory(b, db)
		ratios = append(ratios, float64(recount)/float64(memory))
		seconds = append(seconds, recount.Seconds())
	}
	b.ReportMetric(median(ratios), "×memory")
	b.ReportMetric(median(seconds)*1000, "ms/year")
	b.ReportMetric(0, "ns/op")
}

func BenchmarkRegister(b *testing.B) {
	for b.Loop() {
		db := open(b)
		began := time.Now()
		catalogue(b, db, serials(100_000)...)
		first := time.Since(began)
		began = time.Now()
		catalogue(b, db, serials(100_000)...)
		again := time.Since(began)
		began = time.Now()
		refresh(b, db, 100_000)
		b.ReportMetric(first.Seconds(), "s/100k-new")
		b.ReportMetric(again.Seconds(), "s/100k-again")
		b.ReportMetric(time.Since(began).Seconds(), "s/100k-standings")
		b.ReportMetric(0, "ns/op")
	}
}

// BenchmarkPages measures what pages read, in units of SELECT 1 (S) and of a
// sequential count of the standings (C).
func BenchmarkPages(b *testing.B) {
	ctx := context.Background()
	db := open(b)
	at(db, noon)
	const units = 100_000
	catalogue(b, db, serials(units)...)
	fillPages(b, db)
	last, err := db.Units(ctx, analytics.UnitFilter{Sort: analytics.SortSerial, Limit: 500})
	if err != nil {
		b.Fatal(err)
	}
	queries := []struct {
		name string
		do   func() error
	}{
		{"top 50", func() error { _, err := db.Units(ctx, analytics.UnitFilter{}); return err }},
		{"next 50", func() error {
			_, err := db.Units(ctx, analytics.UnitFilter{Sort: analytics.SortSerial, After: last.Next})
			return err
		}},
		{"flagged 50", func() error { _, err := db.Units(ctx, analytics.UnitFilter{Flag: analytics.FlagAhead}); return err }},
		{"site 50", func() error { _, err := db.Units(ctx, analytics.UnitFilter{Site: "s-7"}); return err }},
		{"730 days", func() error { _, err := db.Days(ctx, "HB5-000010", noon.Day()-730, noon.Day()); return err }},
		{"unit", func() error { _, err := db.Unit(ctx, "HB5-000010"); return err }},
		{"fleet", func() error { _, err := db.Fleet(ctx); return err }},
	}
	one := func() error { _, err := db.Pool().Exec(ctx, `SELECT 1`); return err }
	count := func() error {
		return pgx.BeginFunc(ctx, db.Pool(), func(tx pgx.Tx) error {
			if _, err := tx.Exec(ctx, `SET LOCAL enable_indexscan = off; SET LOCAL enable_indexonlyscan = off; SET LOCAL enable_bitmapscan = off`); err != nil {
				return err
			}
			_, err := tx.Exec(ctx, `SELECT count(*) FROM unit_standing`)
			return err
		})
	}
	for _, q := range queries {
		b.Run(q.name, func(b *testing.B) {
			var inOne, inCount []float64
			for range pairs {
				d, s, c := timeOf(b, q.do), timeOf(b, one), timeOf(b, count)
				inOne, inCount = append(inOne, d/s), append(inCount, d/c)
			}
			b.ReportMetric(median(inOne), "S")
			b.ReportMetric(median(inCount), "C")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// timeOf gives the median of a few runs, in seconds.
func timeOf(b *testing.B, do func() error) float64 {
	b.Helper()
	var times []float64
	for range 7 {
		began := time.Now()
		if err := do(); err != nil {
			b.Fatal(err)
		}
		times = append(times, time.Since(began).Seconds())
	}
	return median(times)
}

// fillPages makes standings for all units and two years of days for some.
func fillPages(b *testing.B, db *store.DB) {
	b.Helper()
	refresh(b, db, 100_000)
	start := noon - 730*day
	samples := make([]analytics.Sample, 730*24)
	for i, s := range village(b, 1, sixMeasurements, start, len(samples))[0] {
		s.Time = start + analytics.Instant(i)*3_600_000
		samples[i] = s
	}
	take(b, db, stored(noon, 1, "HB5-000010", samples))
	exec(b, db, `INSERT INTO unit_day SELECT o.unit_id, d.day, d.samples, d.covered, d.charge, d.discharge, d.detail
		FROM unit_day d, unit o WHERE d.unit_id = 11 AND o.unit_id BETWEEN 20 AND 320 ORDER BY d.day, o.unit_id`)
	exec(b, db, `INSERT INTO site SELECT 's-' || n, '{}' FROM generate_series(1, 200) n`)
	exec(b, db, `UPDATE unit SET site = 's-' || (1 + unit_id % 200)`)
	exec(b, db, `UPDATE unit_standing SET samples = 1000 + unit_id, pace = (unit_id * 7919 % 100003) / 60000.0, spent = 0.3,
		flags = CASE WHEN unit_id * 7919 % 100003 > 95000 THEN '{ahead}' WHEN unit_id % 50 = 0 THEN '{cold,silent}' ELSE '{}' END::text[]`)
	exec(b, db, `VACUUM ANALYZE`)
	if n := number(b, db, `SELECT count(*) FROM unit_day WHERE unit_id = 11`); n < 729 {
		b.Fatalf("%d days", n)
	}
}
