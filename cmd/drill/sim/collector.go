package sim

import (
	"fmt"
	"slices"
	"strconv"

	"github.com/nats-io/nats.go"

	"fadeledger/analytics"
	natsbroker "fadeledger/ingest/broker"
)

// parcel is a delivery as a collector keeps and sends it.
type parcel struct {
	name   string
	series string
	number int64
	rows   []row
	body   []byte
	stored bool // the broker has said so
	// covered: a receipt has covered it.
	covered bool
	sent    analytics.Instant
}

// collector sends what it measures, and keeps it as long as it must.
type collector struct {
	m    *machine
	plan *CollectorPlan
	// spool holds what is not yet handed over. handed is everything that was,
	// by name.
	spool  []*parcel
	handed []*parcel
	runs   int   // series so far
	number int64 // of the newest parcel in the series
	ids    int
	last   map[string]analytics.Receipt
	// restores is how often the database was restored when last was taken.
	restores int
	looking  bool
}

const (
	// again is after how long a collector sends again what has no receipt.
	again = analytics.Hour
	// look is how often it asks for its receipt.
	look = 10 * analytics.Minute
)

func newCollector(m *machine, plan *CollectorPlan) *collector {
	return &collector{m: m, plan: plan, runs: 1, last: map[string]analytics.Receipt{}}
}

func (c *collector) series() string { return fmt.Sprintf("run-%d", c.runs) }

// produce takes what is to be sent.
func (c *collector) produce(d delivery) {
	c.add(d.name, d.rows)
}

// add puts rows into the spool, as the next parcel of the series.
func (c *collector) add(name string, rows []row) {
	c.number++
	p := &parcel{name: name, series: c.series(), number: c.number, rows: rows, body: body(rows, c.plan.JSON)}
	c.m.archive(c, p)
	c.spool = append(c.spool, p)
	c.m.after(c.m.between(0, 2*analytics.Minute), func() { c.send(p, c.newID()) })
	if c.plan.Receipts && !c.looking {
		c.looking = true
		c.m.after(look, c.look)
	}
}

func (c *collector) newID() string {
	c.ids++
	return fmt.Sprintf("%s-%d", c.plan.Name, c.ids)
}

func (c *collector) keeps(p *parcel) bool { return slices.Contains(c.spool, p) }

// send hands a parcel to the broker, again and again until it says that it has
// stored it.
func (c *collector) send(p *parcel, id string) {
	if !c.keeps(p) {
		return
	}
	p.sent = c.m.now
	h := nats.Header{}
	h.Set(natsbroker.HeaderContentType, "text/csv")
	if c.plan.JSON {
		h.Set(natsbroker.HeaderContentType, "application/x-ndjson")
	}
	h.Set(natsbroker.HeaderBatch, p.name)
	if c.plan.Receipts {
		h.Set(natsbroker.HeaderSeries, p.series)
		h.Set(natsbroker.HeaderNumber, strconv.FormatInt(p.number, 10))
	}
	if err := c.m.broker.publish(c.plan.Name, id, h, p.body); err != nil {
		c.m.after(c.m.between(2*analytics.Second, 4*analytics.Minute), func() { c.send(p, id) })
		return
	}
	p.stored = true
	if !c.plan.Receipts || c.m.seams.trustStored {
		c.hand(p)
	}
}

// hand forgets a parcel: from here on the service has to have it.
func (c *collector) hand(p *parcel) {
	c.handed = append(c.handed, p)
	c.spool = slices.DeleteFunc(c.spool, func(o *parcel) bool { return o == p })
}

// look asks for the receipt and forgets what it covers. What has waited too
// long is sent again.
func (c *collector) look() {
	if len(c.spool) == 0 {
		c.looking = false
		return
	}
	c.m.after(c.m.between(10*analytics.Second, 2*look), c.look)
	if c.m.db.down > c.m.now {
		return
	}
	r := c.receipt()
	for _, p := range slices.Clone(c.spool) {
		switch {
		case p.series == r.Series && covers(r, p.number):
			p.covered = true
			c.hand(p)
		case p.stored && c.m.now-p.sent > analytics.Instant(again):
			c.send(p, c.newID())
		}
	}
}

// receipt gives the receipt of the series, which must be true and must not go
// back.
func (c *collector) receipt() analytics.Receipt {
	m := c.m
	r := m.db.t.receipt(c.plan.Name, c.series())
	if m.seams.receipt != nil {
		r = m.seams.receipt(r)
	}
	m.checkReceipt(r)
	if m.db.restores == c.restores {
		for n := int64(1); n <= c.last[r.Series].Last; n++ {
			if covers(c.last[r.Series], n) && !covers(r, n) {
				m.fail("the receipt of %s for %s went back: %d is no longer there", c.plan.Name, r.Series, n)
				break
			}
		}
	}
	c.restores, c.last[r.Series] = m.db.restores, r
	return r
}

// resend sends everything that is kept, under new ids.
func (c *collector) resend() {
	for _, p := range c.spool {
		c.m.after(c.m.between(0, analytics.Minute), func() { c.send(p, c.newID()) })
	}
}

// recut begins a new series, in which what is kept is cut anew.
func (c *collector) recut() {
	if !c.plan.Receipts || len(c.spool) == 0 {
		return
	}
	var rows []row
	for _, p := range c.spool {
		rows = append(rows, p.rows...)
	}
	c.spool, c.number = nil, 0
	c.runs++
	for len(rows) > 0 {
		n := min(len(rows), 1+c.m.r.IntN(30))
		c.add(fmt.Sprintf("cut-%d-%d", c.runs, c.number+1), rows[:n:n])
		rows = rows[n:]
	}
}
