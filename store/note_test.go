package store_test

import (
	"context"
	"testing"

	"fadeledger/analytics"
)

func TestNotesAreSummedByCollector(t *testing.T) {
	t.Parallel()
	db := open(t)
	at(db, noon)
	catalogue(t, db, "u-1")
	samples := home(t, 9, noon-day, 40)
	flipped := analytics.DeliveryNote{Code: "sign-flipped", Detail: "u-1", Text: "as if the sign were flipped", Count: 1}
	for i := range 3 {
		d := stored(noon+analytics.Instant(i)*1000, uint64(i+1), "u-1", samples[i*10:i*10+10])
		d.Notes = []analytics.DeliveryNote{flipped}
		if i == 2 {
			d.Notes = append(d.Notes, analytics.DeliveryNote{Code: "bom-stripped\x00\xff", Text: "a mark"})
		}
		take(t, db, d)
		take(t, db, d) // redelivered: noted once
	}
	s, err := db.Ingest(context.Background())
	if err != nil || len(s.Notes) != 2 {
		t.Fatalf("notes: %+v, %v", s.Notes, err)
	}
	for _, n := range s.Notes {
		switch n.Code {
		case "sign-flipped":
			if n.Deliveries != 3 || n.Detail != "u-1" || n.Text != flipped.Text || n.Collector != "c-1" || n.FirstAt != noon || n.LastAt != noon+2000 {
				t.Errorf("flipped: %+v", n)
			}
		default:
			if n.Deliveries != 1 {
				t.Errorf("other: %+v", n)
			}
		}
	}
}
