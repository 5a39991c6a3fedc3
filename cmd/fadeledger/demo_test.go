package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
)

// freeAddress gives a loopback address that nothing listens on.
func freeAddress(t testing.TB) string {
	t.Helper()
	l, err := listen(t.Context(), "127.0.0.1:0")
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

// TestDemoGoesOnAfterAKill kills the demo in the middle of its history, several
// times, starts it again, and compares what it then holds with the fleet that it invents.
func TestDemoGoesOnAfterAKill(t *testing.T) {
	data, address := openFolder(t), freeAddress(t)
	args := []string{"demo", "--data", data, "--listen", address, "--units", "20", "--days", "250", "--seed", "16"}
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
	var atKill int64
	for range 3 {
		killed, before := program(t, args...), atKill
		eventually(t, "the history to go on", func() (err error) {
			if atKill, err = samples(); err == nil && atKill < before+1000 {
				err = fmt.Errorf("%d samples after %d", atKill, before)
			}
			return err
		})
		if err := killed.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = killed.Wait() // it was killed
	}
	told, err := os.Create(filepath.Join(t.TempDir(), "told"))
	if err != nil {
		t.Fatal(err)
	}
	defer told.Close()
	second := programTelling(t, told, args...)
	eventually(t, "the demo to go on to live samples", func() error {
		b, err := os.ReadFile(told.Name())
		if err == nil && !strings.Contains(string(b), "the history is complete") {
			err = errors.New("not told yet")
		}
		return err
	})
	b, err := os.ReadFile(filepath.Join(data, demoMark))
	if err != nil {
		t.Fatal(err)
	}
	var state demoState
	decodeJSON(t, b, &state)
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
// those that its fleet delivers, and the duplicates with its copies.
func checkDemo(t *testing.T, data string, state demoState) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	s, err := embed(ctx, discard(), data, doors{}, false, "")
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	fleet, err := household.NewFleet(state.Seed, state.Units, state.End, state.Days, demoCadence)
	if err != nil {
		t.Fatal(err)
	}
	want, copies := map[analytics.Serial][]analytics.Sample{}, map[analytics.Serial]int64{}
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
		if feed, err = fleet.Feed(household.FeedConfig{
			Collector: collector, Batch: historyBatch, Until: state.End, CopyShare: historyCopies, LateShare: historyLate,
		}); err != nil {
			t.Fatal(err)
		}
		for d, ok := feed.Next(); ok; d, ok = feed.Next() {
			for _, r := range d.Readings {
				if d.Nature == household.Copy {
					copies[r.Serial]++
				}
			}
		}
	}
	total, copied := 0, int64(0)
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
		if r, err := s.db.Unit(ctx, h.Unit.Serial); err != nil || int64(r.Ledger.Duplicates) != copies[h.Unit.Serial] {
			t.Errorf("unit %s: %d duplicates, want %d; %v", h.Unit.Serial, r.Ledger.Duplicates, copies[h.Unit.Serial], err)
		}
		copied += copies[h.Unit.Serial]
	}
	if copied == 0 {
		t.Error("the fleet's collectors send nothing twice: the test needs copies")
	}
	if total < 50_000 {
		t.Errorf("the history holds only %d samples", total)
	}
}

// TestDemoRefuses wants what cannot be done to be refused before anything is
// written or thrown away.
func TestDemoRefuses(t *testing.T) {
	free, busy := freeAddress(t), ""
	l, err := listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	busy = l.Addr().String()
	demoFolder := func(t *testing.T) string {
		data := openFolder(t)
		if err := os.MkdirAll(data, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := writeState(filepath.Join(data, demoMark), &demoState{Units: 3, Days: 4, Seed: 5}); err != nil {
			t.Fatal(err)
		}
		return data
	}
	realFolder := func(t *testing.T) string {
		data := openFolder(t)
		if err := os.MkdirAll(filepath.Join(data, "postgres"), 0o755); err != nil {
			t.Fatal(err)
		}
		return data
	}
	for name, test := range map[string]struct {
		folder func(*testing.T) string
		cmd    demoCmd
		want   string
	}{
		"no units":            {demoFolder, demoCmd{Listen: free, Days: 4, Fresh: true}, "1 or more"},
		"no days":             {demoFolder, demoCmd{Listen: free, Units: 3, Days: -1, Fresh: true}, "1 or more"},
		"busy address":        {demoFolder, demoCmd{Listen: busy, Units: 3, Days: 4, Fresh: true}, "--listen"},
		"other flags":         {demoFolder, demoCmd{Listen: free, Units: 3, Days: 5, Seed: 5}, "--units 3 --days 4 --seed 5, or throw it away by --fresh"},
		"a ledger's":          {realFolder, demoCmd{Listen: free, Units: 3, Days: 4}, "no demo's folder"},
		"fresh, a ledger's":   {realFolder, demoCmd{Listen: free, Units: 3, Days: 4, Fresh: true}, "no demo's folder"},
		"a demo that runs":    {runningFolder, demoCmd{Listen: free, Units: 3, Days: 4, Fresh: true}, "in use by another"},
		"busy, new folder":    {openFolderOf, demoCmd{Listen: busy, Units: 3, Days: 4}, "--listen"},
		"no units, no folder": {openFolderOf, demoCmd{Listen: free, Days: 4}, "1 or more"},
	} {
		t.Run(name, func(t *testing.T) {
			test.cmd.Data = test.folder(t)
			before := entries(t, test.cmd.Data)
			err := test.cmd.Run(t.Context(), discard())
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("got %v, want %q", err, test.want)
			}
			if after := entries(t, test.cmd.Data); !slices.Equal(after, before) {
				t.Errorf("the folder holds %q, before %q", after, before)
			}
		})
	}
	serve := serveCmd{Listen: free, Embedded: true, Data: demoFolder(t)}
	if err := serve.Run(t.Context(), discard()); err == nil || !strings.Contains(err.Error(), "is a demo's folder") {
		t.Errorf("serve: %v", err)
	}
}

// openFolderOf gives a folder that is not there yet.
func openFolderOf(t *testing.T) string { return openFolder(t) }

// runningFolder gives a demo's folder with the servers that run on it.
func runningFolder(t *testing.T) string {
	data := openFolder(t)
	s, err := embed(t.Context(), discard(), data, doors{}, false, "")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	if err := writeState(filepath.Join(data, demoMark), &demoState{Units: 3, Days: 4}); err != nil {
		t.Fatal(err)
	}
	for _, lock := range []string{"postgres.lock", "broker/broker.lock"} {
		if _, err := os.Stat(filepath.Join(data, lock)); err != nil {
			t.Errorf("the servers hold no %s: %v", lock, err)
		}
	}
	return data
}

// entries lists a folder, nil when there is none.
func entries(t *testing.T, dir string) (names []string) {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	for _, e := range list {
		names = append(names, e.Name())
	}
	return names
}
