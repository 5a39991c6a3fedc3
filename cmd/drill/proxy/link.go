package proxy

import (
	"bufio"
	"errors"
	"io"
	"math/rand/v2"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// link is one connection through the proxy.
type link struct {
	proxy          *Proxy
	client, server net.Conn
	ending         sync.Once
	ended          chan struct{}
	// passed counts bytes under the present rules.
	passed atomic.Int64
	// holed: bytes of the middle were dropped.
	holed atomic.Bool

	// hiding: the client learns nothing any more; answered receives what the
	// server says to the hidden COMMIT.
	hiding   atomic.Bool
	answered chan string
	// encryption counts requests for encryption that the server has yet to
	// answer, by one byte.
	encryption atomic.Int32
	// awaited are the inboxes in which the client awaits answers to publishes.
	mu      sync.Mutex
	awaited map[string]struct{}
}

// close ends both sides in order.
func (l *link) close() { l.end(false, false) }

// cut ends the link as a fault, and reports whether it was this call that did.
func (l *link) cut(reset bool) bool { return l.end(reset, true) }

func (l *link) end(reset, fault bool) (first bool) {
	l.ending.Do(func() {
		first = true
		if fault {
			l.proxy.count(func(c *Counts) { c.Cut++ })
		}
		close(l.ended)
		closeWith(l.client, reset)
		// The server always gets FIN: RST would make it drop what it has
		// received and not yet read, such as a COMMIT.
		closeWith(l.server, false)
	})
	return first
}

// piece is what is forwarded at once.
type piece struct {
	bytes []byte
	due   time.Time
}

// verdict is what becomes of a message.
type verdict int

const (
	pass verdict = iota
	lose
	cutBefore
	hideAnswer
)

// reader reads one message, or as many bytes as there are, and judges it.
type reader func(*bufio.Reader) ([]byte, verdict, error)

const (
	// readSize is how much is read at once.
	readSize = 32 << 10
	// underway is how many pieces may wait for their time.
	underway = 1024
	// answerWithin is how long a hidden COMMIT is given to be answered.
	answerWithin = 5 * time.Second
)

// pump forwards one direction until it ends.
func (l *link) pump(d Direction, chance *rand.Rand) {
	from, to := l.client, l.server
	if d == ToClient {
		from, to = l.server, l.client
	}
	pieces := make(chan piece, underway)
	var writing sync.WaitGroup
	writing.Go(func() { l.write(d, to, pieces) })
	err := l.read(d, from, pieces, chance)
	close(pieces)
	writing.Wait()
	// A network that loses everything loses the end, too.
	l.awaitPassage(d)
	if tcp, ok := to.(interface{ CloseWrite() error }); ok && errors.Is(err, io.EOF) {
		_ = tcp.CloseWrite() // the other direction goes on
		return
	}
	l.close()
}

// awaitPassage waits until no rule keeps a direction back.
func (l *link) awaitPassage(d Direction) {
	for {
		rules, changed := l.proxy.ruling()
		dropped := d == ToServer && rules.DropToServer || d == ToClient && rules.DropToClient
		if !dropped && !rules.holds(d) {
			return
		}
		if dropped {
			l.holed.Store(true)
		}
		select {
		case <-changed:
		case <-l.ended:
			return
		}
	}
}

// read cuts what comes into messages and passes on those that the rules leave,
// until an error that it gives.
func (l *link) read(d Direction, from net.Conn, pieces chan<- piece, chance *rand.Rand) error {
	in := bufio.NewReaderSize(from, readSize)
	next := l.reader(d, chance)
	var last time.Time
	for {
		bytes, v, err := next(in)
		rules, _ := l.proxy.ruling()
		switch {
		case v == cutBefore:
			l.cut(true)
			return net.ErrClosed
		case v == lose:
			continue
		case d == ToServer && rules.DropToServer, d == ToClient && rules.DropToClient:
			l.holed.Store(true)
			l.proxy.count(func(c *Counts) { c.Dropped += int64(len(bytes)) })
			bytes = nil
		case d == ToClient && l.hiding.Load():
			bytes = nil
		}
		if len(bytes) > 0 {
			due := time.Time{}
			if rules.Latency > 0 || rules.Jitter > 0 {
				due = time.Now().Add(rules.Latency + time.Duration(chance.Int64N(int64(rules.Jitter)+1)))
				if due.Before(last) {
					due = last
				}
				last = due
			}
			select {
			case pieces <- piece{bytes, due}:
			case <-l.ended:
				return net.ErrClosed
			}
		}
		if v == hideAnswer {
			l.hide()
			return net.ErrClosed
		}
		if err != nil {
			return err
		}
	}
}

func (l *link) reader(d Direction, chance *rand.Rand) reader {
	switch {
	case l.proxy.cfg.Protocol == Postgres && d == ToServer:
		return (&frontend{link: l, fresh: true}).next
	case l.proxy.cfg.Protocol == Postgres:
		return (&backend{link: l}).next
	case l.proxy.cfg.Protocol == NATS && d == ToServer:
		return (&natsClient{link: l, chance: chance}).next
	case l.proxy.cfg.Protocol == NATS:
		return (&natsServer{link: l, chance: chance}).next
	}
	return plain
}

// plain takes whatever is there.
func plain(in *bufio.Reader) ([]byte, verdict, error) {
	if _, err := in.Peek(1); err != nil {
		return nil, pass, err
	}
	out := make([]byte, in.Buffered())
	_, err := in.Read(out)
	return out, pass, err
}

// write forwards pieces when they are due.
func (l *link) write(d Direction, to net.Conn, pieces <-chan piece) {
	for p := range pieces {
		if wait := time.Until(p.due); wait > 0 {
			l.proxy.count(func(c *Counts) { c.Delayed++ })
			l.sleep(wait)
		}
		rules := l.hold(d)
		for rest := p.bytes; len(rest) > 0; {
			n := len(rest)
			if rules.Slice > 0 {
				n = min(n, rules.Slice)
			}
			left := n
			if rules.CutAfter > 0 {
				left = int(min(int64(n), rules.CutAfter-l.passed.Load()))
			}
			if left > 0 {
				if _, err := to.Write(rest[:left]); err != nil {
					l.close()
					break
				}
				l.passed.Add(int64(left))
				l.proxy.count(func(c *Counts) { c.Passed += int64(left) })
			}
			if left < n {
				l.cut(rules.Reset)
				break
			}
			rest = rest[n:]
			l.slow(rules, n, len(rest) > 0)
		}
	}
}

// slow waits as long as n bytes take, and a moment between two slices so that
// they do not arrive as one.
func (l *link) slow(rules Rules, n int, more bool) {
	switch {
	case rules.BytesPerSecond > 0:
		l.proxy.count(func(c *Counts) { c.Delayed++ })
		l.sleep(time.Duration(float64(n) / float64(rules.BytesPerSecond) * float64(time.Second)))
	case rules.Slice > 0 && more:
		l.sleep(200 * time.Microsecond)
	}
}

// hold waits while the rules keep a direction back, and gives the rules that
// then hold.
func (l *link) hold(d Direction) Rules {
	for told := false; ; {
		rules, changed := l.proxy.ruling()
		if !rules.holds(d) {
			return rules
		}
		if !told {
			told = true
			l.proxy.count(func(c *Counts) { c.Held++ })
		}
		select {
		case <-changed:
		case <-l.ended:
			return rules
		}
	}
}

func (l *link) sleep(d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-l.ended:
	}
}

// hide waits for the server's answer to a COMMIT that is on its way and ends
// the link without passing it on.
func (l *link) hide() {
	timer := time.NewTimer(answerWithin)
	defer timer.Stop()
	answer := ""
	select {
	case answer = <-l.answered:
	case <-timer.C:
	case <-l.ended:
	}
	l.proxy.count(func(c *Counts) {
		if answer == "COMMIT" {
			c.HiddenCommits++
		} else {
			c.HiddenOther++
		}
	})
	l.cut(true)
}
