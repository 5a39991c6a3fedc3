package store_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"fadeledger/store"
)

func partitions(t *testing.T, l *store.Leases, n int) []int {
	t.Helper()
	held, err := l.Partitions(context.Background(), n)
	if err != nil {
		t.Fatal(err)
	}
	return held
}

func TestWorkersSharePartitions(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	other := open(t) // a worker of another database is none of ours
	stranger := other.NewLeases()
	defer stranger.Close(ctx)
	if held := partitions(t, stranger, 4); len(held) != 4 {
		t.Fatalf("alone in another database: %v", held)
	}
	a, b := db.NewLeases(), db.NewLeases()
	defer b.Close(ctx)
	if held := partitions(t, a, 8); !slices.Equal(held, []int{0, 1, 2, 3, 4, 5, 6, 7}) {
		t.Fatalf("alone: %v", held)
	}
	if held := partitions(t, b, 8); len(held) != 0 {
		t.Errorf("the second takes %v while the first holds them", held)
	}
	first := partitions(t, a, 8)
	second := partitions(t, b, 8)
	both := slices.Concat(first, second)
	slices.Sort(both)
	if len(first) != 4 || len(second) != 4 || !slices.Equal(both, []int{0, 1, 2, 3, 4, 5, 6, 7}) {
		t.Errorf("shared as %v and %v", first, second)
	}
	a.Close(ctx)
	// The server ends a connection in its own time.
	deadline := time.Now().Add(10 * time.Second)
	held := partitions(t, b, 8)
	for ; len(held) < 8 && time.Now().Before(deadline); held = partitions(t, b, 8) {
		time.Sleep(10 * time.Millisecond)
	}
	slices.Sort(held)
	if !slices.Equal(held, []int{0, 1, 2, 3, 4, 5, 6, 7}) {
		t.Errorf("after the first has gone the second holds %v", held)
	}
}

// TestAWorkerThatIsCutOffLosesItsLeases: the server ends the connection of the
// first worker without its doing; the second takes over, and the first comes
// back by taking its share anew.
func TestAWorkerThatIsCutOffLosesItsLeases(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db := open(t)
	a, b := db.NewLeases(), db.NewLeases()
	defer a.Close(ctx)
	defer b.Close(ctx)
	partitions(t, a, 4)
	partitions(t, b, 4)
	if n := number(t, db, `
		SELECT count(pg_terminate_backend(pid)) FROM (
			SELECT pid FROM pg_locks WHERE locktype = 'advisory' AND classid = x'666c31'::int
				AND database = (SELECT oid FROM pg_database WHERE datname = current_database())
			GROUP BY pid) AS holders`); n != 1 {
		t.Fatalf("%d workers hold leases", n)
	}
	deadline := time.Now().Add(10 * time.Second)
	for len(partitions(t, b, 4)) < 4 {
		if time.Now().After(deadline) {
			t.Fatalf("the second holds %v", partitions(t, b, 4))
		}
		time.Sleep(10 * time.Millisecond)
	}
	if _, err := a.Partitions(ctx, 4); err == nil {
		t.Error("the first does not notice that it was cut off")
	}
	partitions(t, a, 4)
	if held := partitions(t, b, 4); len(held) != 2 {
		t.Errorf("the second keeps %v", held)
	}
	if held := partitions(t, a, 4); len(held) != 2 {
		t.Errorf("the first comes back with %v", held)
	}
}
