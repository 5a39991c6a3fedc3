package store_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/store"
)

// ruled is what counts by the rules, found the plain way: the versions of each
// instant, under the correction of it that was made last.
type ruled struct {
	counting   []analytics.Sample
	versions   analytics.Versions
	delivered  []analytics.Sample
	correction []analytics.Correction
}

func rule(delivered []analytics.Sample, corrections []analytics.Correction) ruled {
	out := ruled{delivered: delivered, correction: corrections}
	last := func(at analytics.Instant) *analytics.Correction {
		for _, c := range slices.Backward(corrections) {
			if c.From <= at && at < c.To {
				return &c
			}
		}
		return nil
	}
	sets := map[analytics.Instant]*analytics.SampleSet{}
	for _, s := range delivered {
		if sets[s.Time] == nil {
			sets[s.Time] = &analytics.SampleSet{}
		}
		sets[s.Time].Add(s)
	}
	for at, set := range sets {
		r := set.Resolve()
		out.versions.Duplicates += r.Duplicates
		if last(at) != nil {
			out.versions.Superseded += int64(len(r.Counting) + len(r.Others))
			continue
		}
		out.versions.Conflicts += r.Conflicts
		out.versions.Superseded += r.Superseded
		out.counting = append(out.counting, r.Counting...)
	}
	for i := range corrections {
		for _, s := range corrections[i].Samples {
			if c := last(s.Time); c != nil && c.ID == corrections[i].ID {
				out.counting = append(out.counting, s)
			}
		}
	}
	slices.SortFunc(out.counting, func(a, b analytics.Sample) int { return int(a.Time - b.Time) })
	return out
}

// differs compares everything that is kept of a unit with what is ruled.
func (r ruled) differs(db *store.DB, serial analytics.Serial) error {
	m, terms := household.Models()[0], household.EditionsOfTerms()[1]
	a := analytics.Count(&m, r.counting)
	want := analytics.LedgerOf(&m, &terms, &a.Counter, a.Excursions, a.Events, r.versions)
	want.Unit = serial
	report, err := db.Unit(context.Background(), serial)
	if err != nil {
		return err
	}
	if err := sameJSON("ledger", want, report.Ledger); err != nil {
		return err
	}
	days, err := db.Days(context.Background(), serial, -1<<30, 1<<30)
	if err != nil {
		return err
	}
	if all := a.AllDays(); len(all)+len(days) > 0 {
		return sameJSON("days", all, days)
	}
	return nil
}

// TestCorrectionsInAnyOrderOfArrival: deliveries and corrections come in any
// order; what counts is what the last correction of each instant says, and
// elsewhere what the set of versions says.
func TestCorrectionsInAnyOrderOfArrival(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	round := 0
	rapid.Check(t, func(r *rapid.T) {
		round++
		serial := analytics.Serial(fmt.Sprintf("u-%d", round))
		catalogue(t, db, serial)
		var delivered []analytics.Sample
		var made []analytics.Correction
		for step := range rapid.IntRange(1, 12).Draw(r, "steps") {
			if rapid.IntRange(0, 2).Draw(r, "correct") == 0 {
				c, err := db.Correct(context.Background(), drawCorrection(r, serial))
				if err != nil {
					r.Fatal(err)
				}
				made = append(made, c)
				continue
			}
			samples := rapid.SliceOfN(version(), 1, 6).Draw(r, "samples")
			delivered = append(delivered, samples...)
			if _, err := db.Take(context.Background(), []analytics.Incoming{stored(noon, uint64(round*1000+step), serial, samples)}); err != nil {
				r.Fatal(err)
			}
		}
		if err := rule(delivered, made).differs(db, serial); err != nil {
			r.Fatal(err)
		}
		if list, err := db.Corrections(context.Background(), serial); err != nil || len(list) != len(made) {
			r.Fatalf("%d corrections are kept of %d, %v", len(list), len(made), err)
		}
	})
	balanced(t, db)
}

func drawCorrection(t *rapid.T, serial analytics.Serial) analytics.Correction {
	i := rapid.IntRange(0, len(instants)-1).Draw(t, "from")
	j := rapid.IntRange(i, len(instants)-1).Draw(t, "to")
	c := analytics.Correction{Serial: serial, From: instants[i], To: instants[j] + 1, By: "a test", Why: "to see"}
	if c.To > noon {
		c.To = noon // the instant of now itself stays out of it
	}
	if c.From >= c.To {
		c.From = c.To - 1
	}
	for _, at := range instants {
		if at >= c.From && at < c.To && rapid.Bool().Draw(t, "sample") {
			s := version().Draw(t, "version")
			s.Time, s.Rank = at, 0
			c.Samples = append(c.Samples, s)
		}
	}
	return c
}

// balanced adds up the books and counts every unit again.
func balanced(t testing.TB, db *store.DB) {
	t.Helper()
	b, err := db.Balance(context.Background())
	if err != nil || len(b.Differences) > 0 {
		t.Errorf("the books: %+v, %v", b, err)
	}
	differences, next, err := db.Recheck(context.Background(), 0, 10_000)
	if err != nil || next != 0 || len(differences) > 0 {
		t.Errorf("recheck: %v, next %d, %v", differences, next, err)
	}
}

// TestChoosingAVersion settles a dispute: the chosen version counts, the others
// stay readable, and a late fourth one changes nothing.
func TestChoosingAVersion(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	v := func(soc analytics.SoC) analytics.Sample {
		return analytics.Sample{Time: noon - day, Has: analytics.HasSoC, SoC: soc}
	}
	take(t, db, stored(noon, 1, "u-1", []analytics.Sample{v(100)}), stored(noon, 2, "u-1", []analytics.Sample{v(200)}))
	list, err := db.Disputes(ctx, "u-1", 10)
	if err != nil || len(list) != 1 || len(list[0].Versions) != 2 || list[0].At != noon-day {
		t.Fatalf("disputes %+v, %v", list, err)
	}
	chosen := list[0].Versions[1]
	c, err := db.Correct(ctx, analytics.Correction{
		Serial: "u-1", From: noon - day, To: noon - day + 1, Samples: []analytics.Sample{chosen.Sample}, By: "R. Vane", Why: "the gateway's log shows it",
	})
	if err != nil || c.ID == 0 || c.At != noon {
		t.Fatalf("%+v, %v", c, err)
	}
	if got := take(t, db, stored(noon, 3, "u-1", []analytics.Sample{v(300)}))[0]; got.Superseded != 1 {
		t.Errorf("a late version: %+v", got)
	}
	report, err := db.Unit(ctx, "u-1")
	if err != nil || report.Ledger.Samples != 1 || report.Ledger.Conflicts != 0 || report.Ledger.Superseded != 3 || report.Quarantined != 0 {
		t.Errorf("ledger %+v, %d quarantined, %v", report.Ledger, report.Quarantined, err)
	}
	if len(report.Recounts) == 0 || report.Recounts[0].Reason != "a correction on 2026-05-11" || report.Recounts[0].Days != 1 {
		t.Errorf("recounts %+v", report.Recounts)
	}
	versions, err := db.Versions(ctx, "u-1", noon-day, noon, 10)
	if err != nil || len(versions) != 3 || versions[0].Disputed {
		t.Errorf("versions %+v, %v", versions, err)
	}
	if list, err := db.Disputes(ctx, "u-1", 10); err != nil || len(list) != 0 {
		t.Errorf("disputes afterwards %+v, %v", list, err)
	}
	made, err := db.Corrections(ctx, "u-1")
	if err != nil || len(made) != 1 || made[0].By != "R. Vane" || !slices.Equal(made[0].Samples, c.Samples) {
		t.Errorf("corrections %+v, %v", made, err)
	}
	balanced(t, db)
}

func TestCorrectionsThatMakeNoSense(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	s := func(at analytics.Instant) analytics.Sample { return analytics.Sample{Time: at, Has: analytics.HasSoC} }
	good := analytics.Correction{Serial: "u-1", From: noon - day, To: noon, By: "R. Vane", Why: "a test"}
	for name, spoil := range map[string]func(*analytics.Correction){
		"nobody":             func(c *analytics.Correction) { c.By = "" },
		"no reason":          func(c *analytics.Correction) { c.Why = "" },
		"empty span":         func(c *analytics.Correction) { c.From = c.To },
		"the future":         func(c *analytics.Correction) { c.To = noon + 1 },
		"too long":           func(c *analytics.Correction) { c.From = noon - 70*day },
		"sample before":      func(c *analytics.Correction) { c.Samples = []analytics.Sample{s(noon - day - 1)} },
		"sample at the end":  func(c *analytics.Correction) { c.Samples = []analytics.Sample{s(noon)} },
		"samples out of row": func(c *analytics.Correction) { c.Samples = []analytics.Sample{s(noon - 5), s(noon - 5)} },
	} {
		c := good
		spoil(&c)
		if _, err := db.Correct(context.Background(), c); !errors.Is(err, analytics.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	other := good
	other.Serial = "nobody's"
	if _, err := db.Correct(context.Background(), other); !errors.Is(err, analytics.ErrNotFound) {
		t.Errorf("a unit that is not registered: %v", err)
	}
	if n := number(t, db, `SELECT count(*) FROM correction`); n != 0 {
		t.Errorf("%d corrections are kept", n)
	}
}
