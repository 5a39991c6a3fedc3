package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
)

// freeAddress gives a loopback address that nothing listens on.
func freeAddress(t testing.TB) string {
	t.Helper()
	l, err := listen(t.Context(), "127.0.0.1:0", discard())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// openFolder makes a folder that Postgres, which runs as another user when the
// tests run as root, can pass through.
func openFolder(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "fadeledger-demo-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(dir, "data")
}

// TestDemoGoesOnAfterAKill kills the demo in the middle of its history, starts
// it again, and compares what it then holds with the fleet that it invents.
func TestDemoGoesOnAfterAKill(t *testing.T) {
	data, address := openFolder(t), freeAddress(t)
	args := []string{"demo", "--data", data, "--listen", address, "--units", "10", "--days", "90", "--seed", "5"}
	samples := func() (n int64, err error) {
		resp, err := http.Get("http://" + address + "/api/v1/ingest")
		if err != nil {
			return 0, err
		}
		defer resp.Body.Close()
		var sum struct {
			Rows analytics.DeliveryTally `json:"rows"`
		}
		return sum.Rows.Accepted, json.NewDecoder(resp.Body).Decode(&sum)
	}
	first := program(t, args...)
	var atKill int64
	eventually(t, "the history to begin", func() (err error) {
		if atKill, err = samples(); err == nil && atKill == 0 {
			err = fmt.Errorf("no samples yet")
		}
		return err
	})
	if err := first.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = first.Wait() // it was killed
	second := program(t, args...)
	var state demoState
	eventually(t, "the demo to go on to live samples", func() error {
		b, err := os.ReadFile(filepath.Join(data, demoMark))
		if err != nil {
			return err
		}
		if err := json.Unmarshal(b, &state); err != nil {
			return err
		}
		fleet, err := household.NewFleet(state.Seed, state.Units, state.End, state.Days, demoCadence)
		if err != nil {
			return err
		}
		d := &demo{fleet: fleet}
		n, err := samples()
		if err == nil && n < d.expected() {
			err = fmt.Errorf("%d samples of %d", n, d.expected())
		}
		return err
	})
	if err := second.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := second.Wait(); err != nil {
		t.Errorf("the demo did not end in order: %v", err)
	}
	t.Logf("killed after %d samples", atKill)
	checkDemo(t, data, state)
}

// checkDemo opens a demo's folder and compares the samples of its history with
// those that its fleet delivers.
func checkDemo(t *testing.T, data string, state demoState) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	s, err := embed(ctx, discard(), data, "", "")
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	fleet, err := household.NewFleet(state.Seed, state.Units, state.End, state.Days, demoCadence)
	if err != nil {
		t.Fatal(err)
	}
	want := map[analytics.Serial][]analytics.Sample{}
	for _, collector := range fleet.Collectors() {
		feed, err := fleet.Feed(household.FeedConfig{Collector: collector, Batch: historyBatch, Until: state.End})
		if err != nil {
			t.Fatal(err)
		}
		for d, ok := feed.Next(); ok; d, ok = feed.Next() {
			for _, r := range d.Readings {
				want[r.Serial] = append(want[r.Serial], r.Sample)
			}
		}
	}
	total := 0
	for _, h := range fleet.Homes {
		i, list := 0, want[h.Unit.Serial]
		err := s.db.Samples(ctx, h.Unit.Serial, 0, state.End+1, func(x analytics.Sample) error {
			if i >= len(list) || x != list[i] {
				return fmt.Errorf("sample %d is %+v", i, x)
			}
			i++
			return nil
		})
		if err != nil || i != len(list) {
			t.Errorf("unit %s: %d samples of %d, %v", h.Unit.Serial, i, len(list), err)
		}
		total += i
	}
	if total < 50_000 {
		t.Errorf("the history holds only %d samples", total)
	}
}
