package store_test

import (
	"context"
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"fadeledger/analytics"
)

// instants are few, so that versions meet; they lie in both tiers, on days that
// are sealed, and at midnight.
var instants = []analytics.Instant{
	noon - 5*day, noon - 5*day + 60_000, noon - 3*day, noon - 36*3_600_000 - 60_000, noon - day - 43_200_000 - 1,
	noon - day - 43_200_000, noon - 43_200_000 - 60_000, noon - 43_200_000, noon - 120_000, noon - 60_000, noon,
}

func version() *rapid.Generator[analytics.Sample] {
	return rapid.Custom(func(t *rapid.T) analytics.Sample {
		s := analytics.Sample{
			Time: rapid.SampledFrom(instants).Draw(t, "time"),
			Rank: int8(rapid.IntRange(-1, 1).Draw(t, "rank")),
			Has:  analytics.HasSoC | analytics.HasTemp,
			SoC:  analytics.SoC(rapid.SampledFrom([]int{100, 500, 900}).Draw(t, "soc")),
			Temp: -500,
		}
		if rapid.IntRange(0, 4).Draw(t, "fields") == 0 {
			s.Has, s.Temp = analytics.HasSoC, 0
		}
		return s
	})
}

// TestVersionsInAnyOrderOfArrival: whatever versions come, in whatever
// deliveries and order, with redeliveries and sealing in between, what is kept
// equals the resolved set, and the deliveries are accounted for.
func TestVersionsInAnyOrderOfArrival(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	round := 0
	rapid.Check(t, func(r *rapid.T) {
		round++
		serial := analytics.Serial(fmt.Sprintf("u-%d", round))
		catalogue(t, db, serial)
		samples := rapid.SliceOfN(version(), 1, 24).Draw(r, "samples")
		var sent []analytics.Incoming
		for rest := samples; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(r, "cut")
			sent = append(sent, stored(noon, uint64(round*1000+len(sent)), serial, rest[:n]))
			rest = rest[n:]
			batch := sent[len(sent)-1:]
			if rapid.Bool().Draw(r, "again") {
				batch = append(batch, sent[rapid.IntRange(0, len(sent)-1).Draw(r, "which")])
			}
			if _, err := db.Take(context.Background(), batch); err != nil {
				r.Fatal(err)
			}
			if rapid.IntRange(0, 5).Draw(r, "seal") == 0 {
				if _, err := db.Seal(context.Background(), 0); err != nil {
					r.Fatal(err)
				}
			}
		}
		if err := offlineDiffers(db, serial, samples); err != nil {
			r.Fatal(err)
		}
		if err := othersDiffer(db, serial, samples); err != nil {
			r.Fatal(err)
		}
	})
}

func TestHigherRankSettlesADispute(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	v := func(rank int8, soc analytics.SoC) analytics.Sample {
		return analytics.Sample{Time: noon - day, Rank: rank, Has: analytics.HasSoC, SoC: soc}
	}
	var all []analytics.Sample
	for i, step := range []struct {
		name string
		s    analytics.Sample
		want analytics.DeliveryTally
		open int64
	}{
		{"the first counts", v(0, 100), analytics.DeliveryTally{Read: 1, Accepted: 1}, 0},
		{"the second puts both in dispute", v(0, 200), analytics.DeliveryTally{Read: 1, Disputed: 1}, 2},
		{"the same again", v(0, 100), analytics.DeliveryTally{Read: 1, Duplicates: 1}, 2},
		{"a third joins them", v(0, 300), analytics.DeliveryTally{Read: 1, Disputed: 1}, 3},
		{"a lower rank settles nothing", v(-1, 400), analytics.DeliveryTally{Read: 1, Superseded: 1}, 3},
		{"a higher rank counts", v(1, 500), analytics.DeliveryTally{Read: 1, Accepted: 1}, 0},
		{"a fourth of the old rank is outdone", v(0, 600), analytics.DeliveryTally{Read: 1, Superseded: 1}, 0},
		{"another of the higher rank", v(1, 700), analytics.DeliveryTally{Read: 1, Disputed: 1}, 2},
	} {
		if got := take(t, db, stored(noon, uint64(i+1), "u-1", []analytics.Sample{step.s}))[0]; got != step.want {
			t.Errorf("%s: %+v, want %+v", step.name, got, step.want)
		}
		all = append(all, step.s)
		checkOffline(t, db, "u-1", all)
		list, err := db.Quarantine(context.Background(), analytics.ReasonConflictingSample, 0, 100)
		if err != nil || int64(len(list)) != step.open {
			t.Errorf("%s: %d versions in dispute, want %d, %v", step.name, len(list), step.open, err)
		}
		r, err := db.Unit(context.Background(), "u-1")
		if err != nil || r.Quarantined != step.open {
			t.Errorf("%s: the unit tells of %d, want %d, %v", step.name, r.Quarantined, step.open, err)
		}
	}
}
