package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"syscall"
	"testing"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest/broker"
)

// argsEnv makes the test binary run as the program, with arguments as JSON.
const argsEnv = "FADELEDGER_TEST_RUN"

func TestMain(m *testing.M) {
	if text := os.Getenv(argsEnv); text != "" {
		var args []string
		if err := json.Unmarshal([]byte(text), &args); err != nil {
			panic(err)
		}
		os.Exit(run(args))
	}
	os.Exit(m.Run())
}

// program starts the program as a process of its own.
func program(t testing.TB, args ...string) *exec.Cmd {
	t.Helper()
	return programTelling(t, nil, args...)
}

// programTelling starts the program and writes to told what it tells on stderr.
func programTelling(t testing.TB, told *os.File, args ...string) *exec.Cmd {
	t.Helper()
	text, err := json.Marshal(args)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), argsEnv+"="+string(text))
	if told != nil {
		cmd.Stderr = told
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd
}

// history is a simulated fleet with what its collectors delivered.
type history struct {
	fleet *household.Fleet
	sets  map[analytics.Serial]*analytics.SampleSet
}

// backfill registers a fleet and publishes its history, with deliveries that
// come late and twice.
func (ts *testService) backfill(t testing.TB, units, days int) history {
	t.Helper()
	end, err := analytics.ParseDay("2026-06-01")
	if err != nil {
		t.Fatal(err)
	}
	fleet, err := household.NewFleet(3, units, end.Start(), days, 5*analytics.Minute)
	if err != nil {
		t.Fatal(err)
	}
	if err := registerFleet(t.Context(), ts.web, fleet); err != nil {
		t.Fatal(err)
	}
	publisher, err := broker.NewPublisher(ts.connection(t), broker.PublisherConfig{Logger: discard()})
	if err != nil {
		t.Fatal(err)
	}
	h := history{fleet, map[analytics.Serial]*analytics.SampleSet{}}
	for _, collector := range fleet.Collectors() {
		feed, err := fleet.Feed(household.FeedConfig{
			Collector: collector, Batch: 200, Until: fleet.End, CopyShare: 0.02, LateShare: 0.02,
		})
		if err != nil {
			t.Fatal(err)
		}
		messages := func(yield func(broker.Message, error) bool) {
			for d, ok := feed.Next(); ok; d, ok = feed.Next() {
				for _, r := range d.Readings {
					if h.sets[r.Serial] == nil {
						h.sets[r.Serial] = &analytics.SampleSet{}
					}
					h.sets[r.Serial].Add(r.Sample)
				}
				if !yield(messageOf(d), nil) {
					return
				}
			}
		}
		if err := publisher.PublishMany(t.Context(), collector, messages, nil); err != nil {
			t.Fatal(err)
		}
	}
	return h
}

// check compares the ledger of every unit with an offline count of what was
// delivered, key by key and byte by byte.
func (h history) check(t testing.TB, ts *testService) {
	t.Helper()
	models, terms, err := ts.db.Catalogue(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, home := range h.fleet.Homes {
		u := home.Unit
		set := h.sets[u.Serial]
		if set == nil {
			set = &analytics.SampleSet{}
		}
		l := countSet(models[u.Model], terms[u.Terms], set)
		l.Unit = u.Serial
		want, err := json.Marshal(l)
		if err != nil {
			t.Fatal(err)
		}
		r, err := ts.db.Unit(t.Context(), u.Serial)
		if err != nil {
			t.Fatal(err)
		}
		if got, _ := json.Marshal(r.Ledger); string(got) != string(want) {
			t.Errorf("unit %s:\n got %s\nwant %s", u.Serial, got, want)
		}
	}
}

// TestKilledWorkerLosesAndDoublesNothing kills the worker process during a
// backfill, several times, and starts it again. In the end every total equals
// the offline count exactly.
func TestKilledWorkerLosesAndDoublesNothing(t *testing.T) {
	ts := newService(t)
	h := ts.backfill(t, 12, 60)
	counted := func() int64 {
		s, err := ts.db.Ingest(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return s.Deliveries
	}
	state, err := broker.State(t.Context(), ts.stream)
	if err != nil {
		t.Fatal(err)
	}
	const kills = 5
	for i := range kills {
		worker := program(t, "work", "--database", ts.database, "--broker", ts.brokerURL, "--health", "127.0.0.1:0", "--gather", "800")
		goal := counted() + int64(state.Messages)/(kills+3)
		eventually(t, fmt.Sprintf("worker %d to count %d deliveries", i+1, goal), func() error {
			if n := counted(); n < goal {
				return fmt.Errorf("%d", n)
			}
			return nil
		})
		if err := worker.Process.Signal(syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		if err := worker.Wait(); err == nil {
			t.Error("the worker ended by itself")
		}
	}
	if n := counted(); n >= int64(state.Messages) {
		t.Fatalf("all %d deliveries were counted before the last kill: the kills did not strike the work", n)
	}
	worker := program(t, "work", "--database", ts.database, "--broker", ts.brokerURL, "--health", "127.0.0.1:0")
	ts.idle(t)
	if err := worker.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := worker.Wait(); err != nil {
		t.Errorf("the worker did not end in order: %v", err)
	}
	if n := counted(); n != int64(state.Messages) {
		t.Errorf("%d deliveries are recorded of %d", n, state.Messages)
	}
	h.check(t, ts)
}

// TestTrimKeepsWhatIsNotCounted trims a stream of which a part is counted: what
// is left must be enough to count the rest.
func TestTrimKeepsWhatIsNotCounted(t *testing.T) {
	ts := newService(t)
	h := ts.backfill(t, 4, 20)
	worker := program(t, "work", "--database", ts.database, "--broker", ts.brokerURL, "--health", "127.0.0.1:0", "--gather", "500")
	eventually(t, "a part to be counted", func() error {
		if s, err := ts.db.Ingest(t.Context()); err != nil || s.Deliveries < 30 {
			return fmt.Errorf("%d deliveries, %v", s.Deliveries, err)
		}
		return nil
	})
	if err := worker.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = worker.Wait() // it was killed
	counted, err := ts.db.CountedUpTo(t.Context(), ts.identity, 1<<60)
	if err != nil || counted == 0 {
		t.Fatalf("counted up to %d, %v", counted, err)
	}
	settled, err := broker.Settled(t.Context(), ts.stream)
	if err != nil {
		t.Fatal(err)
	}
	before, err := broker.State(t.Context(), ts.stream)
	if err != nil {
		t.Fatal(err)
	}
	if err := broker.Trim(t.Context(), ts.stream, min(counted+1, settled)); err != nil {
		t.Fatal(err)
	}
	after, err := broker.State(t.Context(), ts.stream)
	if err != nil || after.Messages > before.Messages {
		t.Fatalf("%d messages after %d, %v", after.Messages, before.Messages, err)
	}
	t.Logf("counted up to %d, settled before %d, %d messages of %d left", counted, settled, after.Messages, before.Messages)
	ts.startWorker(t)
	ts.idle(t)
	h.check(t, ts)
}
