package proxy_test

import (
	"bufio"
	"io"
	"net"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"fadeledger/cmd/drill/proxy"
)

// natsServer keeps what clients publish and answers each publish that wants it
// like a stream does.
type natsServer struct {
	mu        sync.Mutex
	published []string // subject and payload
}

func (s *natsServer) got() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.published)
}

func (s *natsServer) serve(c net.Conn) {
	in := bufio.NewReader(c)
	_, _ = io.WriteString(c, "INFO {}\r\n")
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		fields := strings.Fields(line)
		if fields[0] == "PING" {
			_, _ = io.WriteString(c, "PONG\r\n")
		}
		if fields[0] != "PUB" && fields[0] != "HPUB" {
			continue
		}
		size, _ := strconv.Atoi(fields[len(fields)-1])
		body := make([]byte, size+2)
		if _, err := io.ReadFull(in, body); err != nil {
			return
		}
		s.mu.Lock()
		s.published = append(s.published, fields[1]+" "+string(body[:size]))
		s.mu.Unlock()
		if numbers := map[string]int{"PUB": 1, "HPUB": 2}[fields[0]]; len(fields) == 3+numbers {
			const answer = `{"stream":"S","seq":1}`
			_, _ = io.WriteString(c, "MSG "+fields[2]+" 9 "+strconv.Itoa(len(answer))+"\r\n"+answer+"\r\n")
		}
	}
}

const natsAnswer = "MSG inbox.1 9 22\r\n{\"stream\":\"S\",\"seq\":1}\r\n"

func natsSession(t *testing.T, cfg proxy.Config) (*proxy.Proxy, *natsServer, net.Conn) {
	t.Helper()
	server := &natsServer{}
	cfg.Target, cfg.Protocol = fakeServer(t, server.serve), proxy.NATS
	p := listen(t, cfg)
	c := dial(t, p)
	expect(t, c, []byte("INFO {}\r\n"))
	return p, server, c
}

// ping makes sure that everything before it has passed.
func ping(t *testing.T, c net.Conn) {
	t.Helper()
	send(t, c, []byte("PING\r\n"))
	expect(t, c, []byte("PONG\r\n"))
}

func TestLostAcks(t *testing.T) {
	t.Parallel()
	p, server, c := natsSession(t, proxy.Config{})
	p.Set(proxy.Rules{LoseAcks: 1})
	send(t, c, []byte("PUB $JS.ACK.S.c.1.5.5.0.0 4\r\n+ACK\r\nPUB $JS.ACK.S.c.1.6.6.0.0 4\r\n+WPI\r\nPUB $JS.ACK.S.c.1.7.7.0.0 0\r\n\r\n"))
	send(t, c, []byte("PUB $JS.API.CONSUMER.INFO.S.c inbox.0 0\r\n\r\n"))
	expect(t, c, []byte("MSG inbox.0 9 22\r\n{\"stream\":\"S\",\"seq\":1}\r\n"))
	ping(t, c)
	want := []string{"$JS.ACK.S.c.1.6.6.0.0 +WPI", "$JS.API.CONSUMER.INFO.S.c "}
	if got := server.got(); !slices.Equal(got, want) {
		t.Errorf("the server got %q, want %q", got, want)
	}
	if got := p.Counts(); got.Acks != 2 || got.LostAcks != 2 || got.PubAcks != 0 {
		t.Errorf("counts %+v", got)
	}
	p.Set(proxy.Rules{})
	send(t, c, []byte("PUB $JS.ACK.S.c.1.8.8.0.0 4\r\n+ACK\r\n"))
	ping(t, c)
	if got := server.got(); len(got) != 3 {
		t.Errorf("the server got %q", got)
	}
}

func TestLostPubAcks(t *testing.T) {
	t.Parallel()
	p, server, c := natsSession(t, proxy.Config{})
	p.Set(proxy.Rules{LosePubAcks: 1})
	// The payload looks like the protocol, and holds a line end.
	send(t, c, []byte("HPUB telemetry.c-1 inbox.1 12 22\r\nNATS/1.0\r\n\r\nPING\r\nMSG \r\n"))
	ping(t, c)
	if got := server.got(); len(got) != 1 || !strings.HasSuffix(got[0], "PING\r\nMSG ") {
		t.Errorf("the server got %q", got)
	}
	if got := p.Counts(); got.PubAcks != 1 || got.LostPubAcks != 1 {
		t.Errorf("counts %+v", got)
	}
	p.Set(proxy.Rules{})
	send(t, c, []byte("PUB telemetry.c-1 inbox.1 1\r\na\r\n"))
	expect(t, c, []byte(natsAnswer))
}

func TestLossByShareFollowsTheSeed(t *testing.T) {
	t.Parallel()
	lost := func(seed uint64) []string {
		p, server, c := natsSession(t, proxy.Config{Seed: seed})
		p.Set(proxy.Rules{LoseAcks: 0.5})
		for i := range 40 {
			send(t, c, []byte("PUB $JS.ACK."+strconv.Itoa(i)+" 4\r\n+ACK\r\n"))
		}
		ping(t, c)
		return server.got()
	}
	first, again, other := lost(1), lost(1), lost(2)
	if !slices.Equal(first, again) || slices.Equal(first, other) || len(first) < 10 || len(first) > 30 {
		t.Errorf("passed %d, %d again, %d by another seed", len(first), len(again), len(other))
	}
}

func TestDeliveriesAreObserved(t *testing.T) {
	t.Parallel()
	replies := make(chan string, 4)
	server := fakeServer(t, func(c net.Conn) {
		_, _ = io.WriteString(c, "MSG telemetry.0.c-1 3 $JS.ACK.S.c.1.5.5.0.0 2\r\nab\r\n"+
			"HMSG telemetry.0.c-1 3 $JS.ACK.S.c.2.5.6.0.0 12 14\r\nNATS/1.0\r\n\r\nab\r\nMSG other 4 0\r\n\r\n")
		_, _ = io.Copy(io.Discard, c)
	})
	p := listen(t, proxy.Config{Target: server, Protocol: proxy.NATS, Delivered: func(reply string) { replies <- reply }})
	dial(t, p)
	for _, want := range []string{"$JS.ACK.S.c.1.5.5.0.0", "$JS.ACK.S.c.2.5.6.0.0"} {
		if got := <-replies; got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
}
