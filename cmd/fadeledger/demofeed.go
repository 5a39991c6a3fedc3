package main

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"os"
	"slices"
	"time"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/ingest/broker"
	"fadeledger/ingest/encode"
)

const (
	// historyBatch is the number of samples in a delivery of the history, and
	// liveHold the time over which live samples are gathered.
	historyBatch = 1000
	liveHold     = analytics.Minute
)

// publish publishes the history, unless that was done before, and then every
// sample when its time has come.
func (d *demo) publish(ctx context.Context) error {
	d.total.Store(d.expected())
	done := make(chan struct{})
	defer close(done)
	go d.show(done)
	// What an earlier start stored is counted first: then the database tells
	// what is missing.
	if err := d.settle(ctx); err != nil {
		return ended(ctx, err)
	}
	d.counted.Store(0)
	for _, collector := range d.fleet.Collectors() {
		if err := d.history(ctx, collector); err != nil {
			return ended(ctx, err)
		}
	}
	if err := d.settle(ctx); err != nil {
		return ended(ctx, err)
	}
	d.live.Store(true)
	return ended(ctx, d.alive(ctx))
}

// ended takes the end of the context for the orderly end that it is.
func ended(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// expected is the number of samples of the history, outages aside.
func (d *demo) expected() int64 {
	var n int64
	for _, h := range d.fleet.Homes {
		until := d.fleet.End
		if s := h.Config.Faults.Silent; s != nil && *s < until {
			until = *s
		}
		n += max(0, int64(until-h.Config.Start)/int64(h.Config.Cadence))
		for _, o := range h.Config.Faults.Outages {
			if o.From < until {
				n -= int64(min(o.Length, analytics.Millis(until-o.From))) / int64(h.Config.Cadence)
			}
		}
	}
	return n
}

// historyCopies and historyLate are the shares of the history's deliveries that
// come twice and late.
const (
	historyCopies = 0.002
	historyLate   = 0.002
)

// history publishes what is not counted yet of a collector's history. A batch
// that is delivered twice is counted twice.
func (d *demo) history(ctx context.Context, collector string) error {
	feed, err := d.fleet.Feed(household.FeedConfig{
		Collector: collector, Batch: historyBatch, Until: d.fleet.End, CopyShare: historyCopies, LateShare: historyLate,
	})
	if err != nil {
		return err
	}
	listed, err := d.services.db.Batches(ctx, collector, "history/")
	if err != nil {
		return err
	}
	known := make(map[string]int, len(listed))
	for _, b := range listed {
		known[b.Batch]++
	}
	messages := func(yield func(broker.Message, error) bool) {
		for delivery, ok := feed.Next(); ok; delivery, ok = feed.Next() {
			m := demoMessage("history", delivery)
			if known[m.Batch] > 0 {
				known[m.Batch]--
				d.counted.Add(int64(len(delivery.Readings)))
				continue
			}
			if !yield(m, nil) {
				return
			}
		}
	}
	if err := d.services.publisher.PublishMany(ctx, collector, iter.Seq2[broker.Message, error](messages), nil); err != nil {
		return fmt.Errorf("publish the history of %s: %w", collector, err)
	}
	return nil
}

// demoMessage makes a message whose batch tells the part of the feed, since
// history and life count their batches alike, and whose id is the same at every
// start.
func demoMessage(part string, delivery household.Delivery) broker.Message {
	m := messageOf(delivery)
	m.Batch = part + "/" + m.Batch
	m.ID = m.Batch + "/" + string(delivery.Nature)
	return m
}

func messageOf(delivery household.Delivery) broker.Message {
	body := encode.AppendHeader(nil, analytics.Measured)
	return broker.Message{
		ContentType: "text/csv", Batch: delivery.Batch,
		Body: append(body, appendReadings(nil, delivery.Readings, "csv")...),
	}
}

// settle waits until the history is counted.
func (d *demo) settle(ctx context.Context) error {
	for {
		state, err := broker.State(ctx, d.services.stream)
		if err != nil && !errors.Is(err, broker.ErrResuming) {
			return err
		}
		if err == nil && state.Pending == 0 && state.Unacked == 0 {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// show writes the progress of the history to the terminal.
func (d *demo) show(done <-chan struct{}) {
	bar := newProgress("history counted", d.total.Load())
	for !d.live.Load() {
		select {
		case <-done:
			return
		case <-time.After(200 * time.Millisecond):
			bar.at(min(d.counted.Load(), d.total.Load()))
		}
	}
	bar.at(d.total.Load())
	bar.end()
	fmt.Fprintln(os.Stderr, "the history is complete; live samples follow until you press Ctrl-C")
}

// alive publishes the samples after the history, each when its time has come.
// What fell due while nothing ran comes at once.
func (d *demo) alive(ctx context.Context) error {
	errs := make(chan error, 1)
	collectors := d.fleet.Collectors()
	for _, collector := range collectors {
		feed, err := d.fleet.Feed(household.FeedConfig{Collector: collector, Batch: historyBatch, Hold: liveHold})
		if err != nil {
			return err
		}
		from := max(d.fleet.End, d.state.Live[collector])
		go func() { errs <- d.follow(ctx, feed, from) }()
	}
	for range collectors {
		if err := <-errs; err != nil {
			return err
		}
	}
	return nil
}

// follow publishes what a collector hands over after an instant.
func (d *demo) follow(ctx context.Context, feed *household.Feed, from analytics.Instant) error {
	for first := true; ctx.Err() == nil; {
		delivery, ok := feed.Next()
		if !ok {
			return nil // all of its units are silent
		}
		readings := delivery.Readings[:0:0]
		for _, r := range delivery.Readings {
			if r.Time > from {
				readings = append(readings, r)
			}
		}
		if len(readings) == 0 {
			continue
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(time.Until(delivery.At.Time())):
		}
		delivery.Readings = readings
		m := demoMessage("live", delivery)
		known := false
		if first {
			// An earlier start may have ended between this delivery and its note.
			listed, err := d.services.db.Batches(ctx, delivery.Collector, m.Batch)
			if err != nil {
				return err
			}
			first, known = false, slices.ContainsFunc(listed, func(b analytics.Delivery) bool { return b.Batch == m.Batch })
		}
		if !known {
			if _, err := d.services.publisher.Publish(ctx, delivery.Collector, m); err != nil {
				return fmt.Errorf("publish for %s: %w", delivery.Collector, err)
			}
		}
		if err := d.reached(delivery.Collector, readings[len(readings)-1].Time); err != nil {
			return err
		}
	}
	return nil
}

// reached notes how far the live samples of a collector are published.
func (d *demo) reached(collector string, at analytics.Instant) error {
	d.mu.Lock()
	d.state.Live[collector] = max(d.state.Live[collector], at)
	d.mu.Unlock()
	return d.save()
}
