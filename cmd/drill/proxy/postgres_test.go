package proxy_test

import (
	"bufio"
	"encoding/binary"
	"io"
	"net"
	"slices"
	"sync"
	"testing"

	"fadeledger/cmd/drill/proxy"
)

// message writes a Postgres message; a kind of 0 has none.
func message(kind byte, body string) []byte {
	var b []byte
	if kind != 0 {
		b = append(b, kind)
	}
	b = binary.BigEndian.AppendUint32(b, uint32(len(body)+4))
	return append(b, body...)
}

func startup() []byte { return message(0, "\x00\x03\x00\x00user\x00a\x00\x00") }

func query(text string) []byte { return message('Q', text+"\x00") }

// pgServer answers statements, keeps those that it ran, and notes how many
// connections ended.
type pgServer struct {
	mu    sync.Mutex
	ran   []string
	ended int
	// answer is the tag of the answer to a COMMIT.
	answer string
}

func (s *pgServer) statements() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.ran)
}

func (s *pgServer) ends() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ended
}

func (s *pgServer) serve(c net.Conn) {
	defer func() {
		s.mu.Lock()
		s.ended++
		s.mu.Unlock()
	}()
	in := bufio.NewReader(c)
	read := func(before int) (byte, string) {
		head := make([]byte, before+4)
		if _, err := io.ReadFull(in, head); err != nil {
			return 0, ""
		}
		body := make([]byte, binary.BigEndian.Uint32(head[before:])-4)
		if _, err := io.ReadFull(in, body); err != nil {
			return 0, ""
		}
		return head[0], string(body)
	}
	for { // requests for encryption, then the start
		_, body := read(0)
		if body == "" {
			return
		}
		if binary.BigEndian.Uint32([]byte(body)) != 80877103 {
			break
		}
		_, _ = c.Write([]byte{'N'})
	}
	_, _ = c.Write(message('N', "SNOTICE\x00\x00"))
	prepared := ""
	for {
		kind, body := read(1)
		text := ""
		switch kind {
		case 0:
			return
		case 'Q':
			text = body[:len(body)-1]
		case 'P':
			prepared = body
			continue
		case 'E':
			text = "prepared " + prepared
		default:
			continue
		}
		s.mu.Lock()
		s.ran = append(s.ran, text)
		s.mu.Unlock()
		_, _ = c.Write(append(message('C', s.answer+"\x00"), message('Z', "I")...))
	}
}

// session connects, asks for encryption in vain and starts.
func session(t *testing.T, p *proxy.Proxy) net.Conn {
	t.Helper()
	c := dial(t, p)
	send(t, c, message(0, "\x04\xd2\x16\x2f"))
	expect(t, c, []byte{'N'})
	send(t, c, startup())
	expect(t, c, message('N', "SNOTICE\x00\x00"))
	return c
}

func run(t *testing.T, c net.Conn, text string) {
	t.Helper()
	send(t, c, query(text))
	expect(t, c, append(message('C', "COMMIT\x00"), message('Z', "I")...))
}

func pgProxy(t *testing.T) (*proxy.Proxy, *pgServer) {
	t.Helper()
	server := &pgServer{answer: "COMMIT"}
	return listen(t, proxy.Config{Target: fakeServer(t, server.serve), Protocol: proxy.Postgres}), server
}

func TestHiddenCommitIsDoneAndNotTold(t *testing.T) {
	t.Parallel()
	p, server := pgProxy(t)
	p.Set(proxy.Rules{HideCommits: 1})
	c := session(t, p)
	run(t, c, "begin")
	run(t, c, "insert")
	send(t, c, query("commit"))
	reset(t, c)
	if got := server.statements(); !slices.Equal(got, []string{"begin", "insert", "commit"}) {
		t.Errorf("the server ran %q", got)
	}
	if got := p.Counts(); got.HiddenCommits != 1 || got.Cut != 1 || got.Commits != 1 {
		t.Errorf("counts %+v", got)
	}
	// One was asked for: the next is told.
	c = session(t, p)
	run(t, c, "begin")
	run(t, c, "COMMIT;")
	if got := p.Counts(); got.HiddenCommits != 1 || got.Commits != 2 {
		t.Errorf("counts %+v", got)
	}
}

func TestHiddenRollbackIsToldApart(t *testing.T) {
	t.Parallel()
	p, server := pgProxy(t)
	server.answer = "ROLLBACK"
	p.Set(proxy.Rules{HideCommits: 1})
	c := session(t, p)
	send(t, c, query("commit"))
	reset(t, c)
	if got := p.Counts(); got.HiddenCommits != 0 || got.HiddenOther != 1 {
		t.Errorf("counts %+v", got)
	}
}

func TestLostCommitNeverReachesTheServer(t *testing.T) {
	t.Parallel()
	p, server := pgProxy(t)
	p.Set(proxy.Rules{LoseCommits: 1})
	c := session(t, p)
	run(t, c, "begin")
	send(t, c, query("commit"))
	reset(t, c)
	eventually(t, "the server's connection to end", func() bool { return server.ends() == 1 })
	if got := server.statements(); !slices.Equal(got, []string{"begin"}) {
		t.Errorf("the server ran %q", got)
	}
	if got := p.Counts(); got.LostCommits != 1 {
		t.Errorf("counts %+v", got)
	}
}

func TestOnlyCommitsOfTransactionsThatHoldAText(t *testing.T) {
	t.Parallel()
	p, _ := pgProxy(t)
	p.Set(proxy.Rules{HideCommits: 1, CommitOf: "COPY delivery"})
	c := session(t, p)
	run(t, c, "begin")
	run(t, c, "update standing")
	run(t, c, "commit")
	run(t, c, "begin")
	run(t, c, "COPY delivery (a) FROM STDIN")
	run(t, c, "update collector")
	send(t, c, query("commit"))
	reset(t, c)
	if got := p.Counts(); got.HiddenCommits != 1 || got.Commits != 2 {
		t.Errorf("counts %+v", got)
	}
}

func TestCommitByExtendedQuery(t *testing.T) {
	t.Parallel()
	p, server := pgProxy(t)
	p.Set(proxy.Rules{HideCommits: 1})
	c := session(t, p)
	run(t, c, "begin")
	send(t, c, message('P', "s1\x00 Commit ; \x00\x00\x00"))
	send(t, c, message('B', "p1\x00s1\x00\x00\x00\x00\x00\x00\x00"))
	send(t, c, append(message('E', "p1\x00\x00\x00\x00\x00"), message('S', "")...))
	reset(t, c)
	if got := server.statements(); len(got) != 2 {
		t.Errorf("the server ran %q", got)
	}
	if got := p.Counts(); got.HiddenCommits != 1 {
		t.Errorf("counts %+v", got)
	}
}
