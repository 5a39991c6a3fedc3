package main

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestSimulateLeavesForeignFoldersAlone(t *testing.T) {
	out := t.TempDir()
	old, foreign := filepath.Join(out, "telemetry-old.csv"), filepath.Join(out, "notes.txt")
	for _, path := range []string{old, foreign} {
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cmd := simulateCmd{Out: out, Units: 1, Days: 1, Seed: 1, Until: "2026-06-01", Cadence: 5 * time.Minute, Format: "csv", Batch: 100}
	if err := cmd.Run(t.Context()); err == nil || !strings.Contains(err.Error(), "--overwrite") {
		t.Errorf("got %v", err)
	}
	if len(entries(t, out)) != 2 {
		t.Errorf("the folder holds %q", entries(t, out))
	}
	cmd.Overwrite = true
	if err := cmd.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	names := entries(t, out)
	if slices.Contains(names, "telemetry-old.csv") || !slices.Contains(names, "notes.txt") || !slices.Contains(names, "truth.json") {
		t.Errorf("the folder holds %q", names)
	}
}

// TestSimulatePublishesWithTheSameIDs publishes a fleet twice to a service that
// notes the message ids.
func TestSimulatePublishesWithTheSameIDs(t *testing.T) {
	var runs [2][]string
	for i := range runs {
		ts := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/api/v1/telemetry" {
				runs[i] = append(runs[i], r.Header.Get("Nats-Msg-Id"))
			}
			_, _ = w.Write([]byte("{}"))
		}))
		cmd := simulateCmd{Out: t.TempDir(), Units: 2, Days: 5, Seed: 1, Until: "2026-06-01", Cadence: 5 * time.Minute, Format: "csv", Batch: 100, Copies: 0.3, Publish: ts.URL}
		if err := cmd.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		ts.Close()
	}
	distinct := map[string]bool{}
	for _, id := range runs[0] {
		distinct[id] = true
	}
	if len(runs[0]) < 10 || len(distinct) != len(runs[0]) || distinct[""] || !slices.Equal(runs[0], runs[1]) {
		t.Errorf("%d deliveries with %d ids, equal in both runs: %v", len(runs[0]), len(distinct), slices.Equal(runs[0], runs[1]))
	}
}
