package sim

import (
	"errors"
	"fmt"
	"hash/fnv"
	"slices"

	"github.com/nats-io/nats.go"

	"fadeledger/analytics"
	"fadeledger/ingest"
	natsbroker "fadeledger/ingest/broker"
	"fadeledger/store/book"
)

var errBroker = errors.New("the broker is down")

const (
	ackWait = 30 * second
	// remembered is how long the broker tells ids that it has seen.
	remembered = 2 * minute
)

// stored is a delivery in the stream.
type stored struct {
	sequence  uint64
	partition int
	subject   string
	header    nats.Header
	body      []byte
	hash      [16]byte
	at        analytics.Instant
}

// broker is a stream with a consumer for each partition.
type broker struct {
	m        *machine
	identity string
	streams  int
	list     []*stored // ascending by sequence, without holes
	last     uint64
	ids      map[string]analytics.Instant
	readers  []*consumer
	down     analytics.Instant
	// withhold says how many deliveries come late, and how late.
	withhold Fault
	// forgiven are deliveries that the stream has lost and that it was read
	// again for.
	forgiven map[book.Place]bool
	// loseAcks and loseStored count answers that get lost.
	loseAcks, loseStored int
}

// consumer remembers what of a partition is acknowledged.
type consumer struct {
	partition int
	acked     map[uint64]bool
	// pending are deliveries on their way with the time at which they come
	// again; tries counts how often each came.
	pending map[uint64]analytics.Instant
	tries   map[uint64]int
}

func newConsumer(partition int) *consumer {
	return &consumer{partition: partition, acked: map[uint64]bool{}, pending: map[uint64]analytics.Instant{}, tries: map[uint64]int{}}
}

func newBroker(m *machine) *broker {
	b := &broker{m: m, forgiven: map[book.Place]bool{}}
	b.renew()
	return b
}

// renew makes a new, empty stream.
func (b *broker) renew() {
	b.streams++
	b.identity = fmt.Sprintf("stream-%d", b.streams)
	b.list, b.last, b.ids = nil, 0, map[string]analytics.Instant{}
	b.rewind()
}

// readAgain makes everything be read again for what was lost.
func (b *broker) readAgain() {
	for r := b.lostAnchor(); r != nil; r = b.lostAnchor() {
		b.forgiven[r.Place] = true
	}
	for p := range b.m.s.Partitions {
		b.m.db.mark(partition{b.identity, p}, book.Place{})
	}
	b.rewind()
}

// rewind makes everything be read from the first delivery on.
func (b *broker) rewind() {
	b.readers = nil
	for p := range b.m.s.Partitions {
		b.readers = append(b.readers, newConsumer(p))
	}
	b.wakeAll()
}

func (b *broker) wakeAll() {
	for _, w := range b.m.workers {
		b.m.wake(w.p)
	}
}

// publish stores a delivery. An error says nothing about whether it is stored.
func (b *broker) publish(collector, id string, header nats.Header, body []byte) error {
	if b.down > b.m.now {
		return errBroker
	}
	if seen, ok := b.ids[id]; !ok || b.m.now-seen > remembered {
		b.last++
		h := fnv.New32a()
		h.Write([]byte(collector))
		partition := int(h.Sum32()) % b.m.s.Partitions
		s := &stored{
			sequence: b.last, partition: partition, header: header, body: body, at: b.m.now,
			subject: natsbroker.Subject(fmt.Sprintf("%d.%s", partition, collector)),
		}
		s.hash = ingest.HashOf(s.subject, header, body)
		b.list = append(b.list, s)
		b.m.storedAt[b.place(s)] = append(b.m.storedAt[b.place(s)], s.at)
		if b.withhold.N > 0 {
			b.withhold.N--
			b.readers[partition].pending[s.sequence] = b.m.now + analytics.Instant(b.withhold.For)*second
		}
		b.ids[id] = b.m.now
		b.wakeAll()
	}
	if b.loseStored > 0 {
		b.loseStored--
		return errBroker
	}
	return nil
}

// loseTail loses the last n deliveries. A consumer may still believe that it
// had them.
func (b *broker) loseTail(n int) {
	n = min(n, len(b.list))
	lost := b.list[len(b.list)-n:]
	b.list = b.list[: len(b.list)-n : len(b.list)-n]
	b.last -= uint64(n)
	b.ids = map[string]analytics.Instant{}
	if b.m.r.IntN(2) == 0 {
		return
	}
	for _, s := range lost {
		c := b.readers[s.partition]
		delete(c.acked, s.sequence)
		delete(c.pending, s.sequence)
	}
}

// get finds a delivery by its sequence, nil if it is not there.
func (b *broker) get(sequence uint64) *stored {
	if len(b.list) == 0 || sequence < b.list[0].sequence || sequence > b.last {
		return nil
	}
	return b.list[sequence-b.list[0].sequence]
}

// holds reports whether the stream holds a delivery.
func (b *broker) holds(p book.Place) bool {
	s := b.get(p.Sequence)
	return p.Stream == b.identity && s != nil && s.hash == p.Hash
}

// pull gives at most n deliveries of a partition that are due.
func (b *broker) pull(p *process, partition, n int) []*message {
	if b.down > b.m.now {
		return nil
	}
	c := b.readers[partition]
	var list []*message
	for _, s := range b.list {
		if len(list) == n {
			break
		}
		if s.partition != partition || c.acked[s.sequence] || c.pending[s.sequence] > b.m.now {
			continue
		}
		if b.m.seams.deadLetter && c.tries[s.sequence] >= 3 {
			continue
		}
		if b.m.r.IntN(8) == 0 {
			continue // it comes later, out of order
		}
		c.pending[s.sequence] = b.m.now + ackWait
		c.tries[s.sequence]++
		list = append(list, &message{stored: s, place: b.place(s), consumer: c, p: p, restores: b.m.db.restores})
	}
	return list
}

// due gives when the next delivery of a partition that nobody has is due; ok is
// false if there is none.
func (b *broker) due(partition int) (at analytics.Instant, ok bool) {
	c := b.readers[partition]
	for _, s := range b.list {
		if s.partition != partition || c.acked[s.sequence] || b.m.seams.deadLetter && c.tries[s.sequence] >= 3 {
			continue
		}
		if t := c.pending[s.sequence]; !ok || t < at {
			at, ok = t, true
		}
	}
	return max(at, b.down), ok
}

// waiting counts what is not acknowledged.
func (b *broker) waiting() (n int) {
	for _, s := range b.list {
		if !b.readers[s.partition].acked[s.sequence] {
			n++
		}
	}
	return n
}

// floors give for each partition the last delivery up to which all are
// acknowledged, nil for none.
func (b *broker) floors() []*stored {
	out := make([]*stored, len(b.readers))
	stopped := make([]bool, len(b.readers))
	for _, s := range b.list {
		if !b.readers[s.partition].acked[s.sequence] {
			stopped[s.partition] = true
		}
		if !stopped[s.partition] {
			out[s.partition] = s
		}
	}
	return out
}

// trim removes what lies before a sequence.
func (b *broker) trim(before uint64) {
	i := 0
	for i < len(b.list) && b.list[i].sequence < before {
		i++
	}
	b.list = slices.Clone(b.list[i:])
}

// message is a delivery in the hands of a worker.
type message struct {
	*stored
	place    book.Place
	consumer *consumer
	p        *process
	// restores is how often the database had been restored when it was taken.
	restores int
}

func (s *message) Subject() string             { return s.subject }
func (s *message) Header(name string) string   { return s.header.Get(name) }
func (s *message) Body() []byte                { return s.body }
func (s *message) Sequence() uint64            { return s.sequence }
func (s *message) StoredAt() analytics.Instant { return s.at }

// Ack acknowledges the delivery, if its consumer still waits for it.
func (s *message) Ack() error {
	m := s.p.m
	if err := m.hit(s.p, "ack", false); err != nil {
		return err
	}
	b := m.broker
	if b.down > m.now {
		return errBroker
	}
	if b.loseAcks > 0 {
		b.loseAcks--
		return nil
	}
	if m.db.t.deliveries[s.place] == nil && m.db.restores == s.restores {
		m.fail("delivery %d of %s is acknowledged and not recorded", s.sequence, s.place.Stream)
	}
	// A consumer knows deliveries by their sequences alone.
	if _, pending := s.consumer.pending[s.sequence]; pending {
		s.consumer.acked[s.sequence] = true
		delete(s.consumer.pending, s.sequence)
	}
	return m.hit(s.p, "ack", true)
}

// InProgress asks for more time.
func (s *message) InProgress() error {
	b := s.p.m.broker
	if s.p.dead || b.down > s.p.m.now {
		return errBroker
	}
	if _, pending := s.consumer.pending[s.sequence]; pending {
		s.consumer.pending[s.sequence] = s.p.m.now + ackWait
	}
	return nil
}

// stillHolds reports whether the stream holds a delivery or has trimmed it.
func (b *broker) stillHolds(p book.Place) bool {
	return b.holds(p) || p.Sequence <= b.last && b.get(p.Sequence) == nil
}

// place gives the place of a delivery as the books know it.
func (b *broker) place(s *stored) book.Place {
	return book.Place{Stream: b.identity, Sequence: s.sequence, Hash: s.hash}
}

// rolledBack reports whether the stream lacks the newest delivery that the
// database holds, or the database one that is acknowledged.
func (b *broker) rolledBack() bool {
	return b.lostAnchor() != nil || b.unrecorded()
}

// lostAnchor gives the newest delivery that the database holds of the stream,
// if the stream does not hold it and has not been read again for that.
func (b *broker) lostAnchor() *recorded {
	var newest *recorded
	for place, r := range b.m.db.t.deliveries {
		if place.Stream != b.identity || b.forgiven[place] {
			continue
		}
		if newest == nil || place.Sequence > newest.Sequence || place.Sequence == newest.Sequence && r.counted > newest.counted {
			newest = r
		}
	}
	if newest == nil || b.stillHolds(newest.Place) {
		return nil
	}
	return newest
}

// unrecorded reports whether the database lacks a delivery that a partition has
// acknowledged along with everything before it. How far that was looked at is
// in the database, so that what a restore takes back is looked at again.
func (b *broker) unrecorded() bool {
	missing := false
	for p, floor := range b.floors() {
		if floor == nil {
			continue
		}
		if b.m.seams.floorOnly {
			missing = missing || !b.m.recorded(floor)
			continue
		}
		k := partition{b.identity, p}
		from := b.m.db.t.marks[k].Sequence
		if !b.m.seams.markWithoutHash && !b.stillHolds(b.m.db.t.marks[k]) {
			from = 0 // the stream has lost its end since
		}
		gap := slices.ContainsFunc(b.list, func(s *stored) bool {
			return s.partition == p && s.sequence > from && s.sequence <= floor.sequence && !b.m.recorded(s)
		})
		if !gap {
			b.m.db.mark(k, b.place(floor))
		}
		missing = missing || gap
	}
	return missing
}
