package store_test

import (
	"context"
	"reflect"
	"testing"

	"fadeledger/analytics"
)

func TestReceipts(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	sequence := uint64(0)
	numbered := func(series string, number int64) analytics.Incoming {
		sequence++
		d := stored(noon, sequence, "u-1", []analytics.Sample{{Time: noon - day + analytics.Instant(sequence)*60_000, Has: analytics.HasSoC}})
		d.Series, d.Number = series, number
		return d
	}
	receipt := func(series string) analytics.Receipt {
		r, err := db.Receipt(ctx, "c-1", series)
		if err != nil {
			t.Fatal(err)
		}
		r.At = 0
		return r
	}
	want := func(series string, through, last int64, holes ...[2]int64) analytics.Receipt {
		if holes == nil {
			holes = [][2]int64{}
		}
		return analytics.Receipt{Collector: "c-1", Series: series, Through: through, Last: last, Holes: holes}
	}
	check := func(when string, got, want analytics.Receipt) {
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+v, want %+v", when, got, want)
		}
	}
	check("nothing yet", receipt("boot 1"), want("boot 1", 0, 0))
	one := numbered("boot 1", 1)
	take(t, db, one, numbered("boot 1", 2), numbered("boot 2", 7), numbered("", 1))
	check("two in a row", receipt("boot 1"), want("boot 1", 2, 2))
	check("another series", receipt("boot 2"), want("boot 2", 0, 7, [2]int64{1, 6}))
	check("a series without a name", receipt(""), want("", 1, 1))
	take(t, db, numbered("boot 1", 9), numbered("boot 1", 5), numbered("boot 1", 6))
	check("with holes", receipt("boot 1"), want("boot 1", 2, 9, [2]int64{3, 4}, [2]int64{7, 8}))
	take(t, db, one, numbered("boot 1", 6))
	check("numbers again", receipt("boot 1"), want("boot 1", 2, 9, [2]int64{3, 4}, [2]int64{7, 8}))
	holes, err := db.Holes(ctx)
	if err != nil || len(holes) != 2 {
		t.Errorf("holes %+v, %v", holes, err)
	}
	take(t, db, numbered("boot 1", 4), numbered("boot 1", 3), numbered("boot 1", 8), numbered("boot 1", 7))
	check("filled", receipt("boot 1"), want("boot 1", 9, 9))
	if holes, err = db.Holes(ctx); err != nil || len(holes) != 1 || holes[0].Series != "boot 2" {
		t.Errorf("holes %+v, %v", holes, err)
	}
}

// TestReceiptIsOfTheTransaction: a delivery that is not committed has no
// receipt, whatever comes behind it.
func TestReceiptIsOfTheTransaction(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(context.Background())
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	d := stored(noon, 1, "u-1", []analytics.Sample{{Time: noon - day, Has: analytics.HasSoC}})
	d.Series, d.Number = "s", 1
	cancel()
	if _, err := db.Take(ctx, []analytics.Incoming{d}); err == nil {
		t.Fatal("a transaction is committed after its end")
	}
	if r, err := db.Receipt(context.Background(), "c-1", "s"); err != nil || r.Last != 0 {
		t.Errorf("receipt %+v, %v", r, err)
	}
}
