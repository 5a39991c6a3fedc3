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

func closeLeases(t *testing.T, l *store.Leases) {
	t.Helper()
	if err := l.Close(context.Background()); err != nil {
		t.Error(err)
	}
}

func TestWorkersSharePartitions(t *testing.T) {
	t.Parallel()
	db := open(t)
	a, b := db.NewLeases(), db.NewLeases()
	defer closeLeases(t, b)
	all := []int{0, 1, 2, 3, 4, 5, 6, 7}
	if held := partitions(t, a, 8); !slices.Equal(held, all) {
		t.Fatalf("alone: %v", held)
	}
	if held := partitions(t, b, 8); len(held) != 0 {
		t.Errorf("the second takes %v while the first holds them", held)
	}
	first := partitions(t, a, 8)
	second := partitions(t, b, 8)
	both := slices.Concat(first, second)
	slices.Sort(both)
	if len(first) != 4 || len(second) != 4 || !slices.Equal(both, all) {
		t.Errorf("shared as %v and %v", first, second)
	}
	closeLeases(t, a)
	if held := partitions(t, b, 8); !slices.Equal(held, all) {
		t.Errorf("after the first has gone the second holds %v", held)
	}
}

// TestAStoppedWorkerLosesItsLeases: a worker that does not renew its leases, as
// when it is stopped, loses them after their term, and takes its share anew when
// it wakes up.
func TestAStoppedWorkerLosesItsLeases(t *testing.T) {
	t.Parallel()
	db := open(t)
	a, b := db.NewLeases(), db.NewLeases()
	a.Term, b.Term = time.Second, time.Second
	defer closeLeases(t, a)
	defer closeLeases(t, b)
	partitions(t, a, 4)
	if held := partitions(t, b, 4); len(held) != 0 {
		t.Fatalf("the second takes %v of leases that hold", held)
	}
	deadline := time.Now().Add(20 * time.Second)
	for len(partitions(t, b, 4)) < 4 {
		if time.Now().After(deadline) {
			t.Fatalf("the second holds %v", partitions(t, b, 4))
		}
		time.Sleep(50 * time.Millisecond)
	}
	if n := number(t, db, `SELECT min(taken) FROM lease`); n != 2 {
		t.Errorf("leases changed hands %d times", n-1)
	}
	if held := partitions(t, a, 4); len(held) != 0 {
		t.Errorf("the first still holds %v", held)
	}
	if held := partitions(t, b, 4); len(held) != 2 {
		t.Errorf("the second keeps %v", held)
	}
	if held := partitions(t, a, 4); len(held) != 2 {
		t.Errorf("the first comes back with %v", held)
	}
}

// TestLeasesOfManyAtOnce: workers that start at the same time neither wait for
// each other nor hold a partition together.
func TestLeasesOfManyAtOnce(t *testing.T) {
	t.Parallel()
	db := open(t)
	const workers, n = 6, 16
	results := make(chan []int, workers)
	for range workers {
		l := db.NewLeases()
		go func() {
			for range 5 {
				if _, err := l.Partitions(context.Background(), n); err != nil {
					t.Error(err)
				}
			}
			held, err := l.Partitions(context.Background(), n)
			if err != nil {
				t.Error(err)
			}
			results <- held
		}()
	}
	var all []int
	for range workers {
		all = append(all, <-results...)
	}
	owners := number(t, db, `SELECT count(*) FROM lease WHERE until > clock_timestamp()`)
	if owners > n || len(all) == 0 {
		t.Errorf("%d leases, held at some time %v", owners, all)
	}
}
