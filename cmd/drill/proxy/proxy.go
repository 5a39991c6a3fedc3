package proxy

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"strings"
	"sync"
	"time"
)

// dialWithin bounds the dial to the target.
const dialWithin = 5 * time.Second

// Config says what a proxy stands before. Target is required.
type Config struct {
	// Target is host:port, or unix: and the path of a socket.
	Target   string
	Protocol Protocol
	// Seed fixes what is drawn by chance.
	Seed uint64
	// Delivered, if not nil, is called with the reply subject of every message
	// that a NATS server hands to a client to be acknowledged; from several
	// goroutines.
	Delivered func(reply string)
}

// Proxy is a listening proxy. Its methods are safe for concurrent use.
type Proxy struct {
	cfg      Config
	listener net.Listener
	serving  sync.WaitGroup

	mu      sync.Mutex
	rules   Rules
	changed chan struct{} // closed when the rules are replaced
	links   map[*link]struct{}
	counts  Counts
	closed  bool
}

// Listen starts a proxy on a free port of the loopback interface.
func Listen(ctx context.Context, cfg Config) (*Proxy, error) {
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("listen for the clients of %s: %w", cfg.Target, err)
	}
	p := &Proxy{cfg: cfg, listener: listener, changed: make(chan struct{}), links: map[*link]struct{}{}}
	p.serving.Go(p.accept)
	return p, nil
}

// Address is the host:port that clients connect to.
func (p *Proxy) Address() string { return p.listener.Addr().String() }

// Rules gives the rules in force; the numbers of commits are what is left of
// them.
func (p *Proxy) Rules() Rules {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.rules
}

// Set replaces the rules. The zero Rules heal everything: what was held goes
// on, and links that lost something are reset.
func (p *Proxy) Set(r Rules) {
	p.mu.Lock()
	p.rules = r
	close(p.changed)
	p.changed = make(chan struct{})
	var holed []*link
	for l := range p.links {
		l.passed.Store(0)
		if l.holed.Load() && !r.DropToServer && !r.DropToClient {
			holed = append(holed, l)
		}
	}
	p.mu.Unlock()
	for _, l := range holed {
		l.cut(true)
	}
}

// Cut ends all links now, with RST or FIN, and gives their number.
func (p *Proxy) Cut(reset bool) int {
	p.mu.Lock()
	var all []*link
	for l := range p.links {
		all = append(all, l)
	}
	p.mu.Unlock()
	n := 0
	for _, l := range all {
		if l.cut(reset) {
			n++
		}
	}
	return n
}

// Counts gives what happened so far.
func (p *Proxy) Counts() Counts {
	p.mu.Lock()
	defer p.mu.Unlock()
	c := p.counts
	c.Open = len(p.links)
	return c
}

// Close ends all links and gives the port back.
func (p *Proxy) Close() error {
	p.mu.Lock()
	p.closed = true
	p.mu.Unlock()
	err := p.listener.Close()
	p.Set(Rules{})
	p.Cut(true)
	p.serving.Wait()
	if err != nil {
		return fmt.Errorf("close the proxy of %s: %w", p.cfg.Target, err)
	}
	return nil
}

// count changes the counts under lock.
func (p *Proxy) count(f func(*Counts)) {
	p.mu.Lock()
	f(&p.counts)
	p.mu.Unlock()
}

// ruling gives the rules and what tells of their change.
func (p *Proxy) ruling() (Rules, <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.rules, p.changed
}

func (p *Proxy) accept() {
	for number := uint64(1); ; number++ {
		client, err := p.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			time.Sleep(10 * time.Millisecond) // out of descriptors, say
			continue
		}
		if p.Rules().Refuse {
			p.count(func(c *Counts) { c.Refused++ })
			closeWith(client, true)
			continue
		}
		p.serving.Go(func() { p.join(number, client) })
	}
}

// join connects a client with the server and pumps until either ends.
func (p *Proxy) join(number uint64, client net.Conn) {
	network, address := "tcp", p.cfg.Target
	if path, ok := strings.CutPrefix(address, "unix:"); ok {
		network, address = "unix", path
	}
	server, err := net.DialTimeout(network, address, dialWithin)
	if err != nil {
		closeWith(client, true) // as a closed port answers
		return
	}
	l := &link{proxy: p, client: client, server: server, ended: make(chan struct{}), answered: make(chan string, 1)}
	p.mu.Lock()
	if p.closed {
		p.mu.Unlock()
		l.cut(true)
		return
	}
	p.counts.Accepted++
	p.links[l] = struct{}{}
	p.mu.Unlock()
	var pumps sync.WaitGroup
	for _, d := range []Direction{ToServer, ToClient} {
		chance := rand.New(rand.NewPCG(p.cfg.Seed, number<<1|uint64(d)))
		pumps.Go(func() { l.pump(d, chance) })
	}
	pumps.Wait()
	l.close()
	p.mu.Lock()
	delete(p.links, l)
	p.mu.Unlock()
}

// closeWith closes a connection, by RST where it can.
func closeWith(c net.Conn, reset bool) {
	if tcp, ok := c.(*net.TCPConn); ok && reset {
		_ = tcp.SetLinger(0) // else it ends by FIN, which is an end as well
	}
	_ = c.Close()
}
