package proxy

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"strings"
)

// Codes in the place of a protocol version (PostgreSQL documentation,
// "Message Formats").
const (
	codeCancel = 80877102
	codeSSL    = 80877103
	codeGSS    = 80877104
)

// frontend reads what a Postgres client sends and finds its COMMITs.
type frontend struct {
	link *link
	// fresh: messages have no type yet.
	fresh bool
	// statements are the texts of prepared statements by name, portals of the
	// statements bound to them.
	statements, portals map[string]string
	// matched: a statement since the last COMMIT held CommitOf.
	matched bool
}

// next reads one message.
func (f *frontend) next(in *bufio.Reader) ([]byte, verdict, error) {
	if f.fresh {
		out, err := lengthy(in, 0)
		if len(out) >= 8 {
			switch code := binary.BigEndian.Uint32(out[4:]); code {
			case codeSSL, codeGSS:
				f.link.encryption.Add(1)
			case codeCancel:
			default:
				f.fresh = false
			}
		}
		return out, pass, err
	}
	out, err := lengthy(in, 1)
	if err != nil {
		return out, pass, err
	}
	return out, f.judge(out[0], out[5:]), nil
}

// judge follows the texts of statements and decides on COMMITs.
func (f *frontend) judge(kind byte, body []byte) verdict {
	if f.statements == nil {
		f.statements, f.portals = map[string]string{}, map[string]string{}
	}
	var text string
	runs := false
	switch kind {
	case 'Q':
		text, _ = cString(body)
		runs = true
	case 'P':
		name, rest := cString(body)
		f.statements[name], _ = cString(rest)
	case 'B':
		portal, rest := cString(body)
		name, _ := cString(rest)
		f.portals[portal] = f.statements[name]
	case 'E':
		name, _ := cString(body)
		text, runs = f.portals[name], true
	}
	if !runs {
		return pass
	}
	if !isCommit(text) {
		if strings.Contains(text, f.link.proxy.Rules().CommitOf) {
			f.matched = true
		}
		return pass
	}
	matched := f.matched
	f.matched = false
	return f.link.commit(matched)
}

// commit decides on a COMMIT; only those of matched transactions are struck.
func (l *link) commit(matched bool) verdict {
	p := l.proxy
	p.mu.Lock()
	defer p.mu.Unlock()
	p.counts.Commits++
	switch {
	case !matched && p.rules.CommitOf != "":
		return pass
	case p.rules.LoseCommits > 0:
		p.rules.LoseCommits--
		p.counts.LostCommits++
		return cutBefore
	case p.rules.HideCommits > 0:
		p.rules.HideCommits--
		l.hiding.Store(true)
		return hideAnswer
	}
	return pass
}

// backend reads what a Postgres server sends and finds the answer to a COMMIT.
type backend struct{ link *link }

func (b *backend) next(in *bufio.Reader) ([]byte, verdict, error) {
	if first, err := in.Peek(1); err != nil {
		return nil, pass, err
	} else if (first[0] == 'N' || first[0] == 'S') && b.link.encryption.Load() > 0 {
		b.link.encryption.Add(-1)
		_, err := in.Discard(1)
		return []byte{first[0]}, pass, err
	}
	out, err := lengthy(in, 1)
	if err == nil && (out[0] == 'C' || out[0] == 'E') && b.link.hiding.Load() {
		tag, _ := cString(out[5:])
		select {
		case b.link.answered <- tag:
		default: // only the first answer is asked for
		}
	}
	return out, pass, err
}

// lengthy reads a message of so many bytes and a length that counts itself.
func lengthy(in *bufio.Reader, before int) ([]byte, error) {
	head, err := in.Peek(before + 4)
	if err != nil {
		out := bytes.Clone(head)
		_, _ = in.Discard(len(head))
		return out, err
	}
	size := before + int(max(4, min(binary.BigEndian.Uint32(head[before:]), 1<<30)))
	out := make([]byte, size)
	n, err := io.ReadFull(in, out)
	return out[:n], err
}

// cString takes a text that ends with a zero byte.
func cString(b []byte) (text string, rest []byte) {
	head, rest, _ := bytes.Cut(b, []byte{0})
	return string(head), rest
}

// isCommit reports whether a statement does nothing but commit.
func isCommit(text string) bool {
	switch strings.ToLower(strings.TrimRight(strings.TrimSpace(text), "; \n")) {
	case "commit", "commit transaction", "commit work", "end":
		return true
	}
	return false
}
