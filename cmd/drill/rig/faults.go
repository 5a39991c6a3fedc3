package rig

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/cmd/drill/proxy"
)

// Strike says what became of a fault.
type Strike struct {
	Fault Fault `json:"fault"`
	// Began is when it began, in milliseconds after the first delivery.
	Began Span `json:"began_ms"`
	// Struck: it had its effect, which What says.
	Struck bool   `json:"struck"`
	What   string `json:"what"`
}

// strikes plays each kind of fault and says what it did. An error means that
// the machine itself is broken.
var strikes = map[Kind]func(*machine, context.Context, Fault) (struck bool, what string, err error){
	KillWorker:       (*machine).killWorker,
	ReplaceWorker:    (*machine).replaceWorker,
	PauseWorker:      (*machine).pauseWorker,
	StealWork:        (*machine).stealWork,
	KillBroker:       (*machine).killBroker,
	KillPostgres:     (*machine).killPostgres,
	KillBackend:      (*machine).killBackend,
	EndBackend:       (*machine).endBackend,
	SpoilDatabase:    (*machine).spoilWay,
	SpoilDelivery:    (*machine).spoilWay,
	SpoilCollection:  (*machine).spoilWay,
	CutDatabase:      (*machine).cutWay,
	CutDelivery:      (*machine).cutWay,
	CutCollection:    (*machine).cutWay,
	HideCommits:      (*machine).strikeCommits,
	LoseCommits:      (*machine).strikeCommits,
	LoseAcks:         (*machine).spoilWay,
	LosePubAcks:      (*machine).spoilWay,
	RewindBroker:     (*machine).rewindBroker,
	DropConsumer:     (*machine).dropConsumer,
	SkewClock:        (*machine).skewClock,
	RestartCollector: (*machine).restartCollector,
}

func (m *machine) workerOf(f Fault) *worker { return m.workers[f.Target%len(m.workers)] }

// collectorOf never gives the meter, which has little to deliver.
func (m *machine) collectorOf(f Fault) *collector {
	return m.collectors[f.Target%m.schedule.Workload.Collectors]
}

// rest lets the time of a fault pass.
func rest(ctx context.Context, s Span) {
	select {
	case <-ctx.Done():
	case <-time.After(s.Duration()):
	}
}

// within asks until a condition holds, and reports whether it came to hold.
func within(ctx context.Context, d time.Duration, holds func() bool) bool {
	for end := time.Now().Add(d); ; {
		if holds() {
			return true
		}
		if ctx.Err() != nil || time.Now().After(end) {
			return false
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func (m *machine) killWorker(ctx context.Context, f Fault) (bool, string, error) {
	w := m.workerOf(f)
	w.fault.Lock()
	defer w.fault.Unlock()
	if !w.kill() {
		return false, w.name + " was not there to be killed", nil
	}
	rest(ctx, f.For)
	return true, w.name + " died of SIGKILL", w.start()
}

func (m *machine) replaceWorker(ctx context.Context, f Fault) (bool, string, error) {
	w := m.workerOf(f)
	w.fault.Lock()
	defer w.fault.Unlock()
	if !w.running() {
		return false, w.name + " was not there", nil
	}
	what := w.name + " ended in order"
	if err := w.stop(); err != nil {
		what = err.Error()
	}
	rest(ctx, f.For)
	return true, what, w.start()
}

func (m *machine) pauseWorker(ctx context.Context, f Fault) (bool, string, error) {
	w := m.workerOf(f)
	w.fault.Lock()
	defer w.fault.Unlock()
	if !pause(ctx, &w.process) {
		return false, w.name + " did not stop", nil
	}
	rest(ctx, f.For)
	return true, fmt.Sprintf("%s stood still for %v", w.name, f.For.Duration()), goOn(&w.process)
}

// pause stops a process and waits until it stands still.
func pause(ctx context.Context, p *process) bool {
	if p.signal(syscall.SIGSTOP, false) != nil {
		return false
	}
	pid := p.pid()
	return within(ctx, time.Second, func() bool { return stopped(pid) })
}

func goOn(p *process) error {
	if err := p.signal(syscall.SIGCONT, false); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return fmt.Errorf("let %s go on: %w", p.name, err)
	}
	return nil
}

// stealWork stops the worker that was handed the latest delivery, at a moment
// when deliveries are out unacknowledged.
func (m *machine) stealWork(ctx context.Context, f Fault) (bool, string, error) {
	w := m.workers[m.handed.latest()%len(m.workers)]
	w.fault.Lock()
	defer w.fault.Unlock()
	before, _ := m.handed.shared()
	unacked := uint64(0)
	for end := time.Now().Add(patience); time.Now().Before(end); {
		if !pause(ctx, &w.process) {
			return false, w.name + " did not stop", nil
		}
		if state, err := m.state(ctx); err == nil {
			unacked = state.Unacked
		}
		if unacked > 0 {
			break
		}
		if err := goOn(&w.process); err != nil {
			return false, "", err
		}
		time.Sleep(20 * time.Millisecond)
	}
	if unacked == 0 {
		return false, "no delivery was with a worker", nil
	}
	cut := w.database.Cut(true)
	rest(ctx, f.For)
	after, _ := m.handed.shared()
	what := fmt.Sprintf("%s stood still with %d connections lost and went on after %d deliveries had gone to another worker", w.name, cut, after-before)
	return after > before, what, goOn(&w.process)
}

func (m *machine) killBroker(ctx context.Context, f Fault) (bool, string, error) {
	m.broker.fault.Lock()
	defer m.broker.fault.Unlock()
	if !m.broker.kill() {
		return false, "the broker was not there to be killed", nil
	}
	rest(ctx, f.For)
	return true, "the broker died of SIGKILL", m.broker.startReady(ctx)
}

func (m *machine) killPostgres(ctx context.Context, f Fault) (bool, string, error) {
	m.cluster.fault.Lock()
	defer m.cluster.fault.Unlock()
	if err := m.cluster.kill(); err != nil {
		return false, err.Error(), nil
	}
	rest(ctx, f.For)
	return true, "the postmaster died of SIGKILL", m.cluster.start(ctx)
}

// someBackend finds a server process of a worker's connection: one in a
// transaction where there is one.
func (m *machine) someBackend(ctx context.Context) (pid int, err error) {
	conn, err := pgx.Connect(ctx, m.cluster.direct(m.database))
	if err != nil {
		return 0, err
	}
	defer conn.Close(ctx)
	err = conn.QueryRow(ctx, `
		SELECT pid FROM pg_stat_activity
		WHERE datname = current_database() AND backend_type = 'client backend' AND usename <> current_user
		ORDER BY xact_start NULLS LAST LIMIT 1`).Scan(&pid)
	return pid, err
}

func (m *machine) killBackend(ctx context.Context, _ Fault) (bool, string, error) {
	return m.backend(ctx, func(pid int) error { return syscall.Kill(pid, syscall.SIGKILL) }, "died of SIGKILL")
}

func (m *machine) endBackend(ctx context.Context, _ Fault) (bool, string, error) {
	return m.backend(ctx, func(pid int) error {
		return m.cluster.administer(ctx, fmt.Sprintf(`SELECT pg_terminate_backend(%d)`, pid))
	}, "was terminated")
}

func (m *machine) backend(ctx context.Context, end func(pid int) error, how string) (bool, string, error) {
	m.cluster.fault.Lock()
	defer m.cluster.fault.Unlock()
	ctx, cancel := context.WithTimeout(ctx, patience+5*time.Second)
	defer cancel()
	// A worker whose connections were just cut takes a moment to come back.
	var pid int
	var err error
	if !within(ctx, patience, func() bool { pid, err = m.someBackend(ctx); return err == nil }) {
		return false, fmt.Sprintf("no connection of a worker: %v", err), nil
	}
	if err := end(pid); err != nil {
		return false, fmt.Sprintf("server process %d: %v", pid, err), nil
	}
	gone := within(ctx, 3*time.Second, func() bool { return syscall.Kill(pid, 0) != nil })
	return gone, fmt.Sprintf("server process %d %s", pid, how), nil
}

// way gives the proxy that a fault is about and its lock.
func (m *machine) way(f Fault) (*proxy.Proxy, *sync.Mutex) {
	switch f.Kind {
	case SpoilDatabase, CutDatabase, HideCommits, LoseCommits:
		w := m.workerOf(f)
		return w.database, &w.databaseFault
	case SpoilDelivery, CutDelivery, LoseAcks:
		w := m.workerOf(f)
		return w.broker, &w.brokerFault
	}
	c := m.collectorOf(f)
	return c.way, &c.wayFault
}

func (m *machine) spoilWay(ctx context.Context, f Fault) (bool, string, error) {
	p, lock := m.way(f)
	lock.Lock()
	defer lock.Unlock()
	rules := proxy.Rules{}
	if f.Rules != nil {
		rules = *f.Rules
	}
	// A kind that is about answers alone spoils nothing else.
	switch f.Kind {
	case LoseAcks:
		rules = proxy.Rules{LoseAcks: cmp.Or(rules.LoseAcks, 1)}
	case LosePubAcks:
		rules = proxy.Rules{LosePubAcks: cmp.Or(rules.LosePubAcks, 1)}
	}
	before := p.Counts()
	after := before
	slow := rules.Latency+rules.Jitter > 0 || rules.BytesPerSecond > 0
	struck := func() bool {
		after = p.Counts()
		return after.Cut > before.Cut || after.Refused > before.Refused || after.Dropped > before.Dropped || after.Held > before.Held ||
			after.LostAcks > before.LostAcks || after.LostPubAcks > before.LostPubAcks ||
			slow && after.Delayed > before.Delayed || rules.Slice > 0 && after.Passed > before.Passed
	}
	m.set(p, rules)
	rest(ctx, f.For)
	// On a busy machine nothing may have passed yet.
	hit := within(ctx, patience, struck)
	m.set(p, proxy.Rules{})
	what := fmt.Sprintf("cut %d, refused %d, dropped %d bytes, held %d, delayed %d, lost %d acks and %d answers to publishes",
		after.Cut-before.Cut, after.Refused-before.Refused, after.Dropped-before.Dropped, after.Held-before.Held,
		after.Delayed-before.Delayed, after.LostAcks-before.LostAcks, after.LostPubAcks-before.LostPubAcks)
	return hit, what, nil
}

// set sets rules on a way. Those to the database keep their usual latency.
func (m *machine) set(p *proxy.Proxy, rules proxy.Rules) {
	if !m.healed.Load() {
		for _, w := range m.workers {
			if w.database == p {
				rules.Latency += m.schedule.Workload.DatabaseLatency.Duration()
			}
		}
	}
	p.Set(rules)
}

// heal takes the usual latency away, too.
func (m *machine) heal() {
	m.healed.Store(true)
	for _, w := range m.workers {
		w.database.Set(proxy.Rules{})
	}
}

func (m *machine) cutWay(ctx context.Context, f Fault) (bool, string, error) {
	p, _ := m.way(f)
	cut := 0
	within(ctx, patience, func() bool { cut += p.Cut(true); return cut > 0 })
	return cut > 0, fmt.Sprintf("%d connections cut", cut), nil
}

// patience is how long a fault waits for something to strike.
const patience = 5 * time.Second

// commitOf is in a statement of every transaction that records deliveries.
const commitOf = "delivery"

func (m *machine) strikeCommits(ctx context.Context, f Fault) (bool, string, error) {
	p, lock := m.way(f)
	lock.Lock()
	defer lock.Unlock()
	before := p.Counts()
	rules, struck := proxy.Rules{HideCommits: max(f.Count, 1), CommitOf: commitOf}, func() int { return p.Counts().HiddenCommits - before.HiddenCommits }
	what := "%d COMMITs were done and not told"
	if f.Kind == LoseCommits {
		rules, struck = proxy.Rules{LoseCommits: max(f.Count, 1), CommitOf: commitOf}, func() int { return p.Counts().LostCommits - before.LostCommits }
		what = "%d COMMITs never reached the server"
	}
	m.set(p, rules)
	within(ctx, f.For.Duration()+patience, func() bool { return struck() >= max(f.Count, 1) })
	m.set(p, proxy.Rules{})
	return struck() > 0, fmt.Sprintf(what, struck()), nil
}

// lead is how long before its time a fault has to begin.
func (f Fault) lead() Span {
	if f.Kind == RewindBroker {
		return min(f.Back, f.At)
	}
	return 0
}

func (m *machine) rewindBroker(ctx context.Context, f Fault) (bool, string, error) {
	m.broker.fault.Lock()
	defer m.broker.fault.Unlock()
	if !m.broker.running() {
		return false, "the broker was not there", nil
	}
	// Two rewinds may come at the same time.
	older, err := os.MkdirTemp(m.dir, "broker-older-")
	if err != nil {
		return false, "", err
	}
	if err := m.broker.copyFiles(older); err != nil {
		return false, err.Error(), os.RemoveAll(older)
	}
	// Whatever is stored from here on will be lost.
	kept := m.lastSequence(ctx)
	rest(ctx, f.lead())
	before := m.lastSequence(ctx)
	if !m.broker.kill() {
		return false, "the broker was not there to be killed", nil
	}
	if err := m.broker.putBack(older); err != nil {
		return false, "", err
	}
	rest(ctx, f.For)
	m.rewound.Add(1)
	what := fmt.Sprintf("the stream went back from %d to %d", before, kept)
	return kept > 0 && before > kept, what, m.broker.startReady(ctx)
}

// lastSequence gives the last sequence of the stream, 0 when it does not become
// known.
func (m *machine) lastSequence(ctx context.Context) (last uint64) {
	within(ctx, 3*time.Second, func() bool {
		ctx, cancel := context.WithTimeout(ctx, time.Second)
		defer cancel()
		info, err := m.stream.Info(ctx)
		if err == nil {
			last = info.State.LastSeq
		}
		return err == nil
	})
	return last
}

func (m *machine) dropConsumer(ctx context.Context, f Fault) (bool, string, error) {
	ctx, cancel := context.WithTimeout(ctx, patience+5*time.Second)
	defer cancel()
	var names []string
	var unlisted error
	if !within(ctx, patience, func() bool {
		list := m.stream.ConsumerNames(ctx)
		for name := range list.Name() {
			names = append(names, name)
		}
		unlisted = list.Err()
		return len(names) > 0
	}) {
		return false, fmt.Sprintf("no consumer is there: %v", unlisted), nil
	}
	slices.Sort(names)
	name := names[f.Target%len(names)]
	if err := m.stream.DeleteConsumer(ctx, name); err != nil {
		return false, fmt.Sprintf("delete %s: %v", name, err), nil
	}
	return true, name + " was deleted", nil
}

func (m *machine) skewClock(ctx context.Context, f Fault) (bool, string, error) {
	c := m.collectorOf(f)
	before := c.skewedRows()
	c.setSkew(f.Skew.Duration())
	rest(ctx, f.For)
	c.setSkew(0)
	n := c.skewedRows() - before
	return n > 0, fmt.Sprintf("%s wrote %d rows at %v from now", c.name, n, f.Skew.Duration()), nil
}

func (m *machine) restartCollector(ctx context.Context, f Fault) (bool, string, error) {
	c := m.collectorOf(f)
	n := 0
	within(ctx, 2*time.Second, func() bool {
		if !c.idle() && c.spooled() > 0 {
			n = c.restart()
		}
		return n > 0
	})
	return n > 0, fmt.Sprintf("%s cut %d deliveries anew", c.name, n), nil
}
