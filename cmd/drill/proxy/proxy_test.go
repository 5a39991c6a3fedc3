package proxy_test

import (
	"bytes"
	"errors"
	"io"
	"net"
	"sync"
	"syscall"
	"testing"
	"time"

	"fadeledger/cmd/drill/proxy"
)

// patience bounds every wait in a test.
const patience = 5 * time.Second

// fakeServer takes connections and hands each to serve.
func fakeServer(t *testing.T, serve func(net.Conn)) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			serving.Go(func() {
				defer c.Close()
				_ = c.SetDeadline(time.Now().Add(2 * patience))
				serve(c)
			})
		}
	})
	t.Cleanup(func() {
		listener.Close()
		serving.Wait()
	})
	return listener.Addr().String()
}

// echo gives back what it gets, with what it saw in seen.
func echo(seen *recorder) func(net.Conn) {
	return func(c net.Conn) {
		b := make([]byte, 64<<10)
		for {
			n, err := c.Read(b)
			seen.add(b[:n])
			if err != nil {
				return
			}
			if _, err := c.Write(b[:n]); err != nil {
				return
			}
		}
	}
}

// recorder keeps what a server read, read by read.
type recorder struct {
	mu    sync.Mutex
	reads [][]byte
}

func (r *recorder) add(b []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(b) > 0 {
		r.reads = append(r.reads, bytes.Clone(b))
	}
}

func (r *recorder) bytes() []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	return bytes.Join(r.reads, nil)
}

func (r *recorder) longest() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := 0
	for _, b := range r.reads {
		n = max(n, len(b))
	}
	return n
}

func listen(t *testing.T, cfg proxy.Config) *proxy.Proxy {
	t.Helper()
	p, err := proxy.Listen(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
	return p
}

func dial(t *testing.T, p *proxy.Proxy) *net.TCPConn {
	t.Helper()
	c, err := net.Dial("tcp", p.Address())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	_ = c.SetDeadline(time.Now().Add(patience))
	return c.(*net.TCPConn)
}

func send(t *testing.T, c net.Conn, b []byte) {
	t.Helper()
	if _, err := c.Write(b); err != nil {
		t.Fatal(err)
	}
}

// expect reads as many bytes as want holds.
func expect(t *testing.T, c net.Conn, want []byte) {
	t.Helper()
	got := make([]byte, len(want))
	if n, err := io.ReadFull(c, got); err != nil || !bytes.Equal(got, want) {
		t.Fatalf("read %d bytes %.60q, %v, want %.60q", n, got[:n], err, want)
	}
}

// silent checks that nothing comes for a while.
func silent(t *testing.T, c net.Conn) {
	t.Helper()
	_ = c.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
	b := make([]byte, 100)
	var timeout net.Error
	if n, err := c.Read(b); n > 0 || !errors.As(err, &timeout) || !timeout.Timeout() {
		t.Fatalf("read %q, %v, want silence", b[:n], err)
	}
	_ = c.SetReadDeadline(time.Now().Add(patience))
}

// reset checks that the connection ends by RST.
func reset(t *testing.T, c net.Conn) {
	t.Helper()
	if n, err := c.Read(make([]byte, 100)); !errors.Is(err, syscall.ECONNRESET) {
		t.Fatalf("read %d bytes, %v, want a reset", n, err)
	}
}

// refused checks that a new connection is reset, which may be seen while it is
// still being made.
func refused(t *testing.T, p *proxy.Proxy) {
	t.Helper()
	c, err := net.Dial("tcp", p.Address())
	if err == nil {
		defer c.Close()
		_ = c.SetDeadline(time.Now().Add(patience))
		_, err = c.Read(make([]byte, 1))
	}
	if !errors.Is(err, syscall.ECONNRESET) {
		t.Fatalf("got %v, want a reset", err)
	}
}

// eventually waits until a condition holds.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !holds(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

func pattern(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(i * 7)
	}
	return b
}

func TestPassesEverythingUnchanged(t *testing.T) {
	t.Parallel()
	var seen recorder
	p := listen(t, proxy.Config{Target: fakeServer(t, echo(&seen))})
	c := dial(t, p)
	want := pattern(300_000)
	go c.Write(want)
	expect(t, c, want)
	if err := c.CloseWrite(); err != nil {
		t.Fatal(err)
	}
	if n, err := c.Read(make([]byte, 1)); err != io.EOF {
		t.Errorf("after the end: %d bytes, %v", n, err)
	}
	if got := p.Counts(); got.Accepted != 1 || got.Passed != 600_000 || got.Cut != 0 {
		t.Errorf("counts %+v", got)
	}
}

func TestLatencyDelaysBothWays(t *testing.T) {
	t.Parallel()
	p := listen(t, proxy.Config{Target: fakeServer(t, echo(&recorder{}))})
	c := dial(t, p)
	p.Set(proxy.Rules{Latency: 60 * time.Millisecond, Jitter: 10 * time.Millisecond})
	began := time.Now()
	send(t, c, []byte("one"))
	expect(t, c, []byte("one"))
	if took := time.Since(began); took < 120*time.Millisecond || took > time.Second {
		t.Errorf("a round trip took %v", took)
	}
	// Many at once are each late, not one after the other.
	began = time.Now()
	for range 50 {
		send(t, c, []byte("x"))
	}
	expect(t, c, bytes.Repeat([]byte("x"), 50))
	if took := time.Since(began); took > time.Second {
		t.Errorf("fifty took %v", took)
	}
	if p.Counts().Delayed == 0 {
		t.Error("no delay was counted")
	}
}

func TestBandwidthAndSlices(t *testing.T) {
	t.Parallel()
	var seen recorder
	p := listen(t, proxy.Config{Target: fakeServer(t, echo(&seen))})
	c := dial(t, p)
	p.Set(proxy.Rules{BytesPerSecond: 20_000, Slice: 100})
	began := time.Now()
	want := pattern(4000)
	go c.Write(want)
	expect(t, c, want)
	if took := time.Since(began); took < 190*time.Millisecond {
		t.Errorf("4000 bytes took %v at 20,000 a second", took)
	}
	if n := seen.longest(); n > 300 {
		t.Errorf("a read of %d bytes in spite of slices of 100", n)
	}
}

func TestHoldKeepsAndHealDelivers(t *testing.T) {
	t.Parallel()
	for name, rules := range map[string]proxy.Rules{
		"to the server": {HoldToServer: true}, "to the client": {HoldToClient: true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := listen(t, proxy.Config{Target: fakeServer(t, echo(&recorder{}))})
			c := dial(t, p)
			p.Set(rules)
			send(t, c, []byte("kept"))
			silent(t, c)
			p.Set(proxy.Rules{})
			expect(t, c, []byte("kept"))
			if p.Counts().Held == 0 {
				t.Error("nothing was counted as held")
			}
		})
	}
}

func TestDropLosesAndHealResets(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		rules  proxy.Rules
		server string // what the server has seen
	}{
		{"to the server", proxy.Rules{DropToServer: true}, ""},
		{"to the client", proxy.Rules{DropToClient: true}, "gone"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			var seen recorder
			p := listen(t, proxy.Config{Target: fakeServer(t, echo(&seen))})
			conn := dial(t, p)
			p.Set(c.rules)
			send(t, conn, []byte("gone"))
			silent(t, conn)
			if got := string(seen.bytes()); got != c.server {
				t.Errorf("the server has seen %q, want %q", got, c.server)
			}
			if n := p.Counts().Dropped; n != 4 {
				t.Errorf("%d bytes dropped", n)
			}
			p.Set(proxy.Rules{})
			reset(t, conn)
		})
	}
}

func TestDroppedEndIsNotTold(t *testing.T) {
	t.Parallel()
	ended := make(chan struct{})
	p := listen(t, proxy.Config{Target: fakeServer(t, func(c net.Conn) {
		_, _ = io.Copy(io.Discard, c)
		close(ended)
	})})
	c := dial(t, p)
	send(t, c, []byte("hello"))
	eventually(t, "the first bytes", func() bool { return p.Counts().Passed == 5 })
	p.Set(proxy.Rules{DropToServer: true})
	c.Close()
	select {
	case <-ended:
		t.Fatal("the server learned of the end through a network that loses everything")
	case <-time.After(100 * time.Millisecond):
	}
	p.Set(proxy.Rules{})
	select {
	case <-ended:
	case <-time.After(patience):
		t.Fatal("the server did not learn of the end once the network was back")
	}
}

func TestCut(t *testing.T) {
	t.Parallel()
	for _, hard := range []bool{true, false} {
		p := listen(t, proxy.Config{Target: fakeServer(t, echo(&recorder{}))})
		c := dial(t, p)
		send(t, c, []byte("a"))
		expect(t, c, []byte("a"))
		if n := p.Cut(hard); n != 1 {
			t.Errorf("%d links cut", n)
		}
		if hard {
			reset(t, c)
		} else if n, err := c.Read(make([]byte, 1)); err != io.EOF {
			t.Errorf("read %d bytes, %v, want the end", n, err)
		}
		if got := p.Counts(); got.Cut != 1 {
			t.Errorf("counts %+v", got)
		}
	}
}

func TestCutAfterBytes(t *testing.T) {
	t.Parallel()
	var seen recorder
	p := listen(t, proxy.Config{Target: fakeServer(t, func(c net.Conn) {
		b := make([]byte, 1000)
		for {
			n, err := c.Read(b)
			seen.add(b[:n])
			if err != nil {
				return
			}
		}
	})})
	c := dial(t, p)
	send(t, c, pattern(10))
	eventually(t, "ten bytes", func() bool { return len(seen.bytes()) == 10 })
	p.Set(proxy.Rules{CutAfter: 25, Reset: true})
	send(t, c, pattern(100))
	reset(t, c)
	eventually(t, "25 more", func() bool { return len(seen.bytes()) == 35 })
}

func TestRefuse(t *testing.T) {
	t.Parallel()
	p := listen(t, proxy.Config{Target: fakeServer(t, echo(&recorder{}))})
	before := dial(t, p)
	send(t, before, []byte("a"))
	expect(t, before, []byte("a"))
	p.Set(proxy.Rules{Refuse: true})
	refused(t, p)
	send(t, before, []byte("b")) // those that stand go on
	expect(t, before, []byte("b"))
	p.Set(proxy.Rules{})
	after := dial(t, p)
	send(t, after, []byte("c"))
	expect(t, after, []byte("c"))
	if got := p.Counts(); got.Refused != 1 || got.Accepted != 2 {
		t.Errorf("counts %+v", got)
	}
}

func TestServerAwayIsToldAtOnce(t *testing.T) {
	t.Parallel()
	p := listen(t, proxy.Config{Target: "unix:" + t.TempDir() + "/none"})
	refused(t, p)
}
