package store_test

import (
	"context"
	"log/slog"
	"strings"
	"testing"

	"fadeledger/analytics"
	"fadeledger/store"
	"fadeledger/store/storetest"
)

// TestWhatChangesTheLedgerIsInTheTrail: corrections, releases and cleared alarms
// are told with who did them.
func TestWhatChangesTheLedgerIsInTheTrail(t *testing.T) {
	t.Parallel()
	url := storetest.Database(t)
	owner, err := store.Open(t.Context(), url, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer owner.Close()
	web, err := store.OpenAs(t.Context(), url, slog.New(slog.DiscardHandler), store.ForWeb)
	if err != nil {
		t.Fatal(err)
	}
	defer web.Close()
	at(owner, noon)
	at(web, noon)
	catalogue(t, owner, "HB5-1")
	ctx := analytics.WithPrincipal(t.Context(), analytics.Principal{Kind: analytics.KindPerson, ID: 7, Name: "sanne", Role: analytics.RoleServiceManager})

	made, err := web.Correct(ctx, analytics.Correction{Serial: "HB5-1", From: noon - day, To: noon - day + 60_000, By: "sanne", Why: "the clock was wrong"})
	if err != nil {
		t.Fatal(err)
	}
	if err := owner.Raise(context.Background(), analytics.AlarmFilling, "stream", "full"); err != nil {
		t.Fatal(err)
	}
	alarms, err := web.Alarms(ctx)
	if err != nil || len(alarms) != 1 {
		t.Fatalf("alarms %+v, %v", alarms, err)
	}
	if err := web.ClearAlarm(ctx, alarms[0].ID, "sanne"); err != nil {
		t.Fatal(err)
	}
	entries, err := owner.Trail(context.Background(), analytics.TrailFilter{Who: "sanne"})
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) != 2 || entries[1].Deed != analytics.DeedCorrected || entries[1].Object != "unit HB5-1" ||
		!strings.Contains(entries[1].Detail, "the clock was wrong") || made.ID == 0 ||
		entries[0].Deed != analytics.DeedCleared || entries[0].Role != analytics.RoleServiceManager {
		t.Errorf("the trail holds %+v", entries)
	}
}
