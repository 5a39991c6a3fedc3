package store_test

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/store"
)

// sizes cuts samples into deliveries of 1 to most samples.
func sizes(rng *rand.Rand, samples []analytics.Sample, most int, serial analytics.Serial) []analytics.Incoming {
	var out []analytics.Incoming
	for len(samples) > 0 {
		n := min(1+rng.IntN(most), len(samples))
		out = append(out, stored(noon, uint64(len(out)+1), serial, samples[:n]))
		samples = samples[n:]
	}
	return out
}

func TestEveryKindOfLatenessEqualsAnOfflineCount(t *testing.T) {
	t.Parallel()
	const n = 3 * 1440
	start := noon - n*analytics.Instant(analytics.Minute)
	for i, c := range []struct {
		name  string
		most  int
		order func(rng *rand.Rand, d []analytics.Incoming)
	}{
		{"in order", 300, func(*rand.Rand, []analytics.Incoming) {}},
		{"one held back to the end", 100, func(_ *rand.Rand, d []analytics.Incoming) {
			late := d[3]
			copy(d[3:], d[4:])
			d[len(d)-1] = late
		}},
		{"newest first", 400, func(_ *rand.Rand, d []analytics.Incoming) { slices.Reverse(d) }},
		{"neighbours swapped", 60, func(_ *rand.Rand, d []analytics.Incoming) {
			for i := 0; i+1 < len(d); i += 2 {
				d[i], d[i+1] = d[i+1], d[i]
			}
		}},
		{"any order", 500, func(rng *rand.Rand, d []analytics.Incoming) {
			rng.Shuffle(len(d), func(i, j int) { d[i], d[j] = d[j], d[i] })
		}},
		{"each delivery backwards within itself", 200, func(_ *rand.Rand, d []analytics.Incoming) {
			for i := range d {
				s := slices.Clone(d[i].Units[0].Samples)
				slices.Reverse(s)
				d[i].Units[0].Samples = s
			}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			db := open(t)
			at(db, noon)
			catalogue(t, db, "u-1")
			rng := rand.New(rand.NewPCG(7, uint64(i)))
			samples := home(t, 1, start, n)
			d := sizes(rng, samples, c.most, "u-1")
			c.order(rng, d)
			for chunk := range slices.Chunk(d, 1+rng.IntN(4)) {
				take(t, db, chunk...)
				if rng.IntN(4) == 0 {
					seal(t, db, 0)
				}
			}
			checkOffline(t, db, "u-1", samples)
			seal(t, db, 0)
			checkOffline(t, db, "u-1", samples)
		})
	}
}

func seal(t testing.TB, db *store.DB, settle time.Duration) store.Sealed {
	t.Helper()
	done, err := db.Seal(context.Background(), settle)
	if err != nil {
		t.Fatal(err)
	}
	return done
}

func TestSealingMovesSamplesAndChangesNothingElse(t *testing.T) {
	t.Parallel()
	db := open(t)
	catalogue(t, db, "u-1", "u-2")
	start := noon - 6*day
	samples := home(t, 2, start, 3*1440)
	// As it lives: hourly uploads, the clock following.
	for i, d := range cut(samples, 60, "u-1") {
		d.StoredAt = d.Units[0].Samples[59].Time
		at(db, d.StoredAt)
		take(t, db, d)
		if i%10 == 0 {
			seal(t, db, 2*time.Hour)
		}
	}
	checkOffline(t, db, "u-1", samples)
	before := ledgerJSON(t, db, "u-1")
	if n := number(t, db, `SELECT count(*) FROM sample_run`); n == 0 {
		t.Fatal("no run is left to be sealed")
	}
	at(db, noon)
	done := seal(t, db, 0)
	if done.Hours == 0 || done.Days == 0 || done.Partitions == 0 {
		t.Errorf("sealed %+v", done)
	}
	for _, c := range []struct {
		name, sql string
		want      int64
	}{
		{"runs", `SELECT count(*) FROM sample_run`, 0},
		{"open blocks", `SELECT count(*) FROM sample_block WHERE NOT sealed`, 0},
		// The series begins at noon, so it touches four days.
		{"sealed blocks", `SELECT count(*) FROM sample_block WHERE sealed`, 4},
		{"partitions of sealed days", `SELECT count(*) FROM pg_inherits WHERE inhparent = 'sample_run'::regclass
			AND inhrelid::regclass::text < 'sample_run_20260510'`, 0},
	} {
		if n := number(t, db, c.sql); n != c.want {
			t.Errorf("%s: %d, want %d", c.name, n, c.want)
		}
	}
	if after := ledgerJSON(t, db, "u-1"); string(after) != string(before) {
		t.Errorf("sealing changed the ledger from\n%s\nto\n%s", before, after)
	}
	if again := seal(t, db, 0); again != (store.Sealed{}) {
		t.Errorf("sealing again did %+v", again)
	}
	lateIntoSealedDays(t, db, samples)
}

// lateIntoSealedDays delivers a sample between two of a sealed day, another
// version of a counted one, and one before all.
func lateIntoSealedDays(t *testing.T, db *store.DB, samples []analytics.Sample) {
	t.Helper()
	between := samples[100]
	between.Time += 30_000
	other := samples[2000]
	other.SoC = (other.SoC + 1) % 1000
	first := samples[0]
	first.Time -= 3 * day
	late := []analytics.Sample{between, other, first}
	x := take(t, db, stored(noon, 9000, "u-1", late))[0]
	if x.Accepted != 2 || x.Disputed != 1 {
		t.Errorf("late samples into sealed days: %+v", x)
	}
	all := append(slices.Clone(samples), late...)
	checkOffline(t, db, "u-1", all)
	if done := seal(t, db, 0); done.Days != 3 {
		t.Errorf("sealed %+v, want the three days that were opened again", done)
	}
	checkOffline(t, db, "u-1", all)
	r, err := db.Unit(context.Background(), "u-1")
	if err != nil || len(r.Recounts) != 1 || r.Recounts[0].From != first.Time.Day().Start() {
		t.Errorf("recounts %+v, %v", r.Recounts, err)
	}
}

// TestStaleStateIsCountedAnew: after a change of the counter, states that are
// stored are made anew from the samples, whoever meets them first.
func TestStaleStateIsCountedAnew(t *testing.T) {
	t.Parallel()
	samples := home(t, 3, noon-2*day, 2*1440)
	half := samples[:1440+700] // the next sample falls on a day that is half kept
	for _, c := range []struct {
		name string
		meet func(t *testing.T, db *store.DB) []analytics.Sample
	}{
		{"a delivery of newer samples", func(t *testing.T, db *store.DB) []analytics.Sample {
			take(t, db, stored(noon, 500, "u-1", samples[len(half):]))
			return samples
		}},
		{"a delivery of one newer sample", func(t *testing.T, db *store.DB) []analytics.Sample {
			take(t, db, stored(noon, 500, "u-1", samples[len(half):len(half)+1]))
			return samples[:len(half)+1]
		}},
		{"a delivery that is late", func(t *testing.T, db *store.DB) []analytics.Sample {
			s := samples[100]
			s.Time++
			take(t, db, stored(noon, 500, "u-1", []analytics.Sample{s}))
			return append(slices.Clone(half), s)
		}},
		{"a duplicate", func(t *testing.T, db *store.DB) []analytics.Sample {
			take(t, db, stored(noon, 500, "u-1", samples[5:6]))
			return append(slices.Clone(half), samples[5])
		}},
		{"a reader of the unit", func(*testing.T, *store.DB) []analytics.Sample { return half }},
		{"a reader of the days", func(t *testing.T, db *store.DB) []analytics.Sample {
			if _, err := db.Days(context.Background(), "u-1", 0, 1<<30); err != nil {
				t.Error(err)
			}
			return half
		}},
		{"the refresh of standings", func(t *testing.T, db *store.DB) []analytics.Sample {
			if n, err := db.RefreshStandings(context.Background(), analytics.DayLength); n != 1 || err != nil {
				t.Errorf("refreshed %d, %v", n, err)
			}
			return half
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			db := open(t)
			at(db, noon)
			catalogue(t, db, "u-1")
			for _, d := range cut(half, 90, "u-1") {
				d.StoredAt = noon
				take(t, db, d)
			}
			if _, err := db.Pool().Exec(context.Background(), `UPDATE unit_ledger SET state = set_byte(state, 0, 250)`); err != nil {
				t.Fatal(err)
			}
			checkOffline(t, db, "u-1", c.meet(t, db))
		})
	}
}

// TestAWorkerWhoseClockLags: another worker, days ahead, has dropped the
// partitions that this one knows of.
func TestAWorkerWhoseClockLags(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	samples := home(t, 1, noon-3_600_000, 60)
	take(t, db, stored(noon, 1, "u-1", samples[:10]))
	ahead, err := store.Open(context.Background(), db.Pool().Config().ConnString(), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer ahead.Close()
	at(ahead, noon+6*day)
	if done := seal(t, ahead, 0); done.Partitions == 0 {
		t.Fatalf("sealed %+v", done)
	}
	if x := take(t, db, stored(noon, 2, "u-1", samples[10:]))[0]; x.Accepted != 50 {
		t.Errorf("%+v", x)
	}
	checkOffline(t, db, "u-1", samples)
}

// TestBackwardsBackfillCountsEachDayTwiceAtMost: two years come in reverse order
// of their days. Each costs its own day and the one behind it, however long the
// history has become.
func TestBackwardsBackfillCountsEachDayTwiceAtMost(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	const days, perDay = 730, 24
	every := analytics.Instant(analytics.DayLength) / perDay
	samples := make([]analytics.Sample, 0, days*perDay)
	all := home(t, 9, noon-30*day, 30*1440)
	for i := range days * perDay {
		s := all[(i*60)%len(all)]
		s.Time = (noon.Day() - days).Start() + analytics.Instant(i)*every
		s.Has &^= analytics.HasCharge | analytics.HasDischarge
		s.Charge, s.Discharge = 0, 0
		samples = append(samples, s)
	}
	for i := days - 1; i >= 0; i-- {
		take(t, db, stored(noon, uint64(days-i), "u-1", samples[i*perDay:(i+1)*perDay]))
	}
	checkOffline(t, db, "u-1", samples)
	counted := number(t, db, `SELECT sum(days) FROM recount`)
	if counted > 2*days {
		t.Errorf("%d days were counted again for %d that came late", counted, days-1)
	}
	t.Logf("%d days were counted again for %d that came late", counted, days-1)
	balanced(t, db)
}

// BenchmarkBackwards counts histories of one to eight years of five-minute
// samples that come in reverse order of their days, a day a transaction. The
// time a day must not grow with the history.
func BenchmarkBackwards(b *testing.B) {
	for _, years := range []int{1, 2, 4, 8} {
		b.Run(fmt.Sprintf("years=%d", years), func(b *testing.B) {
			const perDay = 288
			days := 365 * years
			all := home(b, 9, noon-40*day, 40*1440)
			for range b.N {
				b.StopTimer()
				db := open(b)
				at(db, noon)
				catalogue(b, db, "u-1")
				b.StartTimer()
				for i := days - 1; i >= 0; i-- {
					samples := make([]analytics.Sample, perDay)
					for j := range samples {
						samples[j] = all[((i*perDay+j)*5)%len(all)]
						samples[j].Time = (noon.Day() - analytics.Day(days-i)).Start() + analytics.Instant(j)*300_000
						samples[j].Has &^= analytics.HasCharge | analytics.HasDischarge
						samples[j].Charge, samples[j].Discharge = 0, 0
					}
					take(b, db, stored(noon, uint64(days-i), "u-1", samples))
				}
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N*days), "µs/day")
			b.ReportMetric(0, "ns/op")
		})
	}
}
