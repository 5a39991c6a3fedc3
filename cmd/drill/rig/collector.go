package rig

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/cmd/drill/proxy"
	"fadeledger/ingest/broker"
)

const (
	// resendStored is how long an answer of the broker is waited for,
	// resendCounted how long a confirmation of what it has answered for.
	resendStored  = time.Second
	resendCounted = 3 * time.Second
	// Both double with every repetition, up to some ten seconds.

	confirmEvery = 150 * time.Millisecond
	collectEvery = 10 * time.Millisecond
	// underwayMost is how many deliveries of a collector wait for the broker.
	underwayMost = 32
)

// The headers by which a collector numbers its deliveries.
const (
	headerSeries = "Fadeledger-Series"
	headerNumber = "Fadeledger-Number"
)

// collector hands over its part of the plan and keeps every delivery until it is
// confirmed.
type collector struct {
	name      string
	every     time.Duration // from one delivery to the next
	freshIDs  bool
	batch     int
	conn      *nats.Conn
	way       *proxy.Proxy
	wayFault  sync.Mutex
	confirmer Confirmer
	stored    *stored
	inbox     string
	log       *slog.Logger

	mu        sync.Mutex
	chance    *rand.Rand
	plan      []rows
	serial    analytics.Serial // a unit of its own, for rows of a wrong clock
	taken     int              // deliveries of the plan that are cut
	restarts  int
	number    int64
	spool     []*entry
	all       []*Truth
	through   map[string]int64 // the highest confirmation of each series
	backwards []string
	skew      time.Duration
	skewed    int // rows written under a wrong clock
	resent    int
}

// entry is a delivery in the spool.
type entry struct {
	truth    *Truth
	id       string
	sent     time.Time
	answered bool
}

func (c *collector) series() string { return fmt.Sprintf("%s-run%d", c.name, c.restarts+1) }

// run hands over and sends again until ctx ends.
func (c *collector) run(ctx context.Context) error {
	sub, err := c.conn.Subscribe(c.inbox+".*.*", c.answer)
	if err != nil {
		return fmt.Errorf("%s: listen for answers: %w", c.name, err)
	}
	defer func() { _ = sub.Unsubscribe() }() // the connection ends soon
	asking := make(chan struct{})
	go func() {
		defer close(asking)
		c.ask(ctx)
	}()
	tick := time.NewTicker(collectEvery)
	defer tick.Stop()
	for began := time.Now(); ; {
		c.collect(int(time.Since(began) / c.every))
		c.send(time.Now())
		select {
		case <-ctx.Done():
			<-asking
			return nil
		case <-tick.C:
		}
	}
}

// collect cuts deliveries until so many of the plan are cut.
func (c *collector) collect(due int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for ; len(c.plan) > 0 && c.taken <= due; c.taken++ {
		d := c.plan[0]
		c.plan = c.plan[1:]
		if c.skew != 0 && d.attack == "" {
			c.miswrite(&d)
		}
		c.add(d)
	}
}

// miswrite adds a row as the wrong clock dates it.
func (c *collector) miswrite(d *rows) {
	r := atClock(c.serial, analytics.InstantOf(time.Now().Add(c.skew)), c.chance)
	c.skewed++
	if c.skew > analytics.FutureSkew.Duration() {
		d.future = append(slices.Clone(d.future), r)
	} else {
		d.readings = append(slices.Clone(d.readings), r)
	}
}

// add cuts a delivery and puts it into the spool.
func (c *collector) add(d rows) {
	t := truthOf(c.name, d, c.chance)
	c.number++
	t.Series, t.Number = c.series(), c.number
	t.Batch = batchName(t.Series, t.Number)
	c.all = append(c.all, t)
	c.spool = append(c.spool, &entry{truth: t, id: fmt.Sprintf("%s/%016x", t.Batch, c.chance.Uint64())})
}

// restart forgets how what is not confirmed was cut: it is cut anew, in
// smaller or larger batches, under another series. It gives the number of
// deliveries that were given up.
func (c *collector) restart() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	old := c.spool
	c.spool, c.number = nil, 0
	c.restarts++
	var readings, future []household.Reading
	for _, e := range old {
		readings = append(readings, e.truth.Readings...)
		future = append(future, e.truth.Future...)
	}
	size := max(1, c.batch/2+c.chance.IntN(c.batch+1))
	for part := range slices.Chunk(readings, size) {
		c.add(rows{readings: part})
	}
	for part := range slices.Chunk(future, size) {
		c.add(rows{future: part})
	}
	return len(old)
}

// send publishes what was never sent, and again what waits for too long.
func (c *collector) send(now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	underway := 0
	for _, e := range c.spool {
		if !e.sent.IsZero() && now.Sub(e.sent) < e.patience() {
			if !e.answered {
				underway++
			}
			continue
		}
		if underway >= underwayMost {
			return
		}
		underway++
		if err := c.publish(e); err != nil {
			return // away: the next tick tries again
		}
		if e.truth.Sent > 0 {
			c.resent++
		}
		e.truth.Sent++
		e.sent, e.answered = now, false
	}
}

// patience is how long the entry waits before it is sent again: twice as long
// each time, or a slow broker is buried under repetitions.
func (e *entry) patience() time.Duration {
	wait, most := resendStored, 3
	if e.answered {
		wait, most = resendCounted, 2
	}
	return wait << min(max(e.truth.Sent-1, 0), most)
}

func (c *collector) publish(e *entry) error {
	t := e.truth
	if c.freshIDs && t.Sent > 0 {
		e.id = fmt.Sprintf("%s/%016x", t.Batch, c.chance.Uint64())
	}
	m := nats.NewMsg(broker.Subject(c.name))
	m.Reply = fmt.Sprintf("%s.%d.%d", c.inbox, c.restarts, t.Number)
	m.Data = t.Body
	for name, value := range map[string]string{
		broker.HeaderContentType: t.ContentType, broker.HeaderContentEncoding: t.ContentEncoding,
		broker.HeaderID: e.id, broker.HeaderBatch: t.Batch,
		headerSeries: t.Series, headerNumber: strconv.FormatInt(t.Number, 10),
	} {
		if value != "" {
			m.Header.Set(name, value)
		}
	}
	return c.conn.PublishMsg(m)
}

// answer takes the broker's answer to a publish.
func (c *collector) answer(m *nats.Msg) {
	var ack struct {
		Stream string          `json:"stream"`
		Error  json.RawMessage `json:"error"`
	}
	if json.Unmarshal(m.Data, &ack) != nil || ack.Stream == "" || ack.Error != nil {
		c.log.Debug("not stored", "collector", c.name, "answer", string(m.Data), "status", m.Header.Get("Status"))
		return
	}
	var restarts int
	var number int64
	if _, err := fmt.Sscanf(strings.TrimPrefix(m.Subject, c.inbox), ".%d.%d", &restarts, &number); err != nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if restarts != c.restarts {
		return // given up
	}
	c.stored.note(c.name, c.series(), number)
	for _, e := range c.spool {
		if e.truth.Number == number {
			e.answered = true
		}
	}
}

// ask lets go of what is confirmed, now and then.
func (c *collector) ask(ctx context.Context) {
	tick := time.NewTicker(confirmEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		c.mu.Lock()
		series := c.series()
		c.mu.Unlock()
		limited, cancel := context.WithTimeout(ctx, 3*time.Second)
		through, err := c.confirmer.Confirm(limited, c.name, series)
		cancel()
		if err != nil {
			c.log.Debug("not confirmed", "collector", c.name, "err", err)
			continue
		}
		c.confirmed(series, through)
	}
}

func (c *collector) confirmed(series string, through int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.through == nil {
		c.through = map[string]int64{}
	}
	if before := c.through[series]; through < before {
		c.backwards = append(c.backwards, fmt.Sprintf("the confirmation of %s went back from %d to %d", series, before, through))
	}
	c.through[series] = max(through, c.through[series])
	if series != c.series() {
		return
	}
	c.spool = slices.DeleteFunc(c.spool, func(e *entry) bool { return e.truth.Number <= through })
}

// idle reports whether everything is handed over and confirmed.
func (c *collector) idle() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.plan) == 0 && len(c.spool) == 0
}

// cutting reports whether deliveries of the plan are still to be made ready.
func (c *collector) cutting() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.plan) > 0
}

// waiting says what the collector still has.
func (c *collector) waiting() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return fmt.Sprintf("%s has %d deliveries to cut and %d unconfirmed", c.name, len(c.plan), len(c.spool))
}

// setSkew lets the clock be wrong.
func (c *collector) setSkew(d time.Duration) {
	c.mu.Lock()
	c.skew = d
	c.mu.Unlock()
}

func (c *collector) skewedRows() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.skewed
}

// spooled counts what is not confirmed.
func (c *collector) spooled() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return len(c.spool)
}
