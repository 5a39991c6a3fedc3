package proxy

import (
	"bufio"
	"bytes"
	"io"
	"math/rand/v2"
	"strconv"
	"strings"
)

const (
	// ackPrefix begins the subjects of acknowledgements.
	ackPrefix = "$JS.ACK."
	// apiPrefix begins the subjects of a server's own services.
	apiPrefix = "$"
)

// natsMessage is one line of the NATS client protocol with its payload.
type natsMessage struct {
	verb, subject, reply string
	whole, payload       []byte
}

// readNATS reads one message.
func readNATS(in *bufio.Reader) (natsMessage, error) {
	line, err := in.ReadBytes('\n')
	m := natsMessage{whole: line}
	if err != nil {
		return m, err
	}
	fields := strings.Fields(string(line))
	if len(fields) == 0 {
		return m, nil
	}
	m.verb = strings.ToUpper(fields[0])
	between, numbers, ok := shape(m.verb)
	if !ok || len(fields) < 2+between+numbers {
		return m, nil
	}
	m.subject = fields[1]
	if len(fields) > 2+between+numbers {
		m.reply = fields[2+between]
	}
	size, err := strconv.Atoi(fields[len(fields)-1])
	if err != nil || size < 0 || size > 64<<20 {
		return m, nil // the server refuses it
	}
	header := 0
	if numbers == 2 {
		header, _ = strconv.Atoi(fields[len(fields)-2])
	}
	m.whole = append(m.whole, make([]byte, size+2)...)
	n, err := io.ReadFull(in, m.whole[len(line):])
	m.whole = m.whole[:len(line)+n]
	if err == nil {
		m.payload = m.whole[len(line)+min(max(header, 0), size) : len(line)+size]
	}
	return m, err
}

// shape tells how a line goes on after the subject: how many words stand
// between it and the reply, and how many numbers end the line. ok is false for
// a line without payload.
func shape(verb string) (between, numbers int, ok bool) {
	switch verb {
	case "PUB":
		return 0, 1, true
	case "HPUB":
		return 0, 2, true
	case "MSG":
		return 1, 1, true
	case "HMSG":
		return 1, 2, true
	}
	return 0, 0, false
}

// natsClient reads what a NATS client sends.
type natsClient struct {
	link   *link
	chance *rand.Rand
}

func (c *natsClient) next(in *bufio.Reader) ([]byte, verdict, error) {
	m, err := readNATS(in)
	if err != nil || m.verb != "PUB" && m.verb != "HPUB" {
		return m.whole, pass, err
	}
	switch {
	case isAck(m):
		lost := c.chance.Float64() < c.link.proxy.Rules().LoseAcks
		c.link.proxy.count(func(n *Counts) {
			n.Acks++
			if lost {
				n.LostAcks++
			}
		})
		if lost {
			return nil, lose, nil
		}
	case m.reply != "" && !strings.HasPrefix(m.subject, apiPrefix):
		c.link.await(m.reply)
	}
	return m.whole, pass, nil
}

// isAck tells an acknowledgement from a sign of life.
func isAck(m natsMessage) bool {
	return strings.HasPrefix(m.subject, ackPrefix) && (len(m.payload) == 0 || bytes.HasPrefix(m.payload, []byte("+ACK")))
}

// await remembers that an answer to a publish goes to an inbox.
func (l *link) await(inbox string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.awaited == nil || len(l.awaited) > 100_000 {
		l.awaited = map[string]struct{}{}
	}
	l.awaited[inbox] = struct{}{}
}

// natsServer reads what a NATS server sends.
type natsServer struct {
	link   *link
	chance *rand.Rand
}

func (s *natsServer) next(in *bufio.Reader) ([]byte, verdict, error) {
	m, err := readNATS(in)
	if err != nil || m.verb != "MSG" && m.verb != "HMSG" {
		return m.whole, pass, err
	}
	if f := s.link.proxy.cfg.Delivered; f != nil && strings.HasPrefix(m.reply, ackPrefix) {
		f(m.reply)
	}
	if !s.link.isPubAck(m) {
		return m.whole, pass, nil
	}
	lost := s.chance.Float64() < s.link.proxy.Rules().LosePubAcks
	s.link.proxy.count(func(n *Counts) {
		n.PubAcks++
		if lost {
			n.LostPubAcks++
		}
	})
	if lost {
		return nil, lose, nil
	}
	return m.whole, pass, nil
}

// isPubAck tells a stream's answer to a publish from any other message.
func (l *link) isPubAck(m natsMessage) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if _, ok := l.awaited[m.subject]; !ok {
		return false
	}
	delete(l.awaited, m.subject)
	return bytes.Contains(m.payload, []byte(`"stream":`))
}
