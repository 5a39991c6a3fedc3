package broker

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/nats-io/nats.go"
)

// Errors of publishing. Each is final: the same message will not do better.
var (
	// ErrCollector: the name of the collector cannot be part of a subject.
	ErrCollector = errors.New("invalid collector name")
	// ErrMessage: the message is empty, or a header cannot be sent.
	ErrMessage = errors.New("invalid message")
	// ErrTooLarge: the message is above MaxBodyBytes.
	ErrTooLarge = errors.New("message too large")
	// ErrFull: the stream or its disk is full. It will do better once
	// somebody has made room.
	ErrFull = errors.New("the stream is full")
	// ErrDenied: the server does not let this connection publish for the
	// collector.
	ErrDenied = errors.New("publishing denied")
)

// The headers of a delivery.
const (
	HeaderContentType     = "Content-Type"
	HeaderContentEncoding = "Content-Encoding"
	// HeaderID holds the message id by which the server tells duplicates for
	// some minutes.
	HeaderID = "Nats-Msg-Id"
	// HeaderBatch names the batch of the collector, such as a file and a
	// number; it comes back in the record of the delivery.
	HeaderBatch = "Fadeledger-Batch"
	// HeaderProfile holds the hash of the profile to read the body by, where
	// it is not the one that the collector has when it is read.
	HeaderProfile = "Fadeledger-Profile"
	// HeaderLines holds H:N where the body is cut from a file: it begins with
	// H header lines and goes on with line N of the file.
	HeaderLines = "Fadeledger-Lines"
	// HeaderSeries names a run of numbers of the collector, and HeaderNumber
	// holds the place of the delivery in it, counted from 1: what a Receipt is
	// about. Both are there or neither is.
	HeaderSeries = "Fadeledger-Series"
	HeaderNumber = "Fadeledger-Number"
)

const (
	// MaxBodyBytes is what MaxMessageBytes leaves for a body.
	MaxBodyBytes = MaxMessageBytes - 2048
	// maxCollector is the longest name of a collector in bytes.
	maxCollector = 64
	// maxHeader is the longest value of a header in bytes.
	maxHeader = 256
)

// Message is one delivery on its way in.
type Message struct {
	// ContentType says what the body is, such as text/csv; ContentEncoding
	// how it is compressed, empty for not at all.
	ContentType, ContentEncoding string
	// ID tells a message sent twice: the same id of the same collector with
	// the same body. Empty lets the publisher make one, which then only covers
	// its own repetitions. What the server gets is a hash of the three, since
	// it drops whatever carries an id that it knows, whoever sent it: nobody
	// can use up the id of a delivery without having its bytes.
	ID string
	// Batch, Profile and Lines go into the headers of the same names; each
	// may be empty.
	Batch, Profile, Lines string
	// Series and Number go into the headers of the same names, so that a
	// receipt can tell the delivery: a name as CheckSeries takes it and a
	// number from 1 on, or empty and 0 for none.
	Series string
	Number int64
	Body   []byte
}

// Ack says that a delivery is stored.
type Ack struct {
	Sequence uint64
	// Duplicate says that it was stored already, under this sequence.
	Duplicate bool
}

// CheckCollector reports whether a name can be a collector: 1 to 64 letters,
// digits, - and _. The error wraps ErrCollector.
func CheckCollector(name string) error {
	const remedy = "use 1 to 64 letters, digits, - and _"
	switch {
	case name == "":
		return fmt.Errorf("%w: it is empty; %s", ErrCollector, remedy)
	case len(name) > maxCollector:
		return fmt.Errorf("%w: %.20q… has %d bytes; %s", ErrCollector, name, len(name), remedy)
	}
	for _, c := range name {
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
		if !letter && !(c >= '0' && c <= '9') && c != '-' && c != '_' {
			return fmt.Errorf("%w: %q holds %q; %s", ErrCollector, name, c, remedy)
		}
	}
	return nil
}

// Subject gives the subject that a collector publishes to.
func Subject(collector string) string { return subjectPrefix + collector }

// prepare checks a message of a collector and gives it the id that the server
// gets.
func (m *Message) prepare(collector string) error {
	if len(m.Body) == 0 {
		return fmt.Errorf("%w: the body is empty", ErrMessage)
	}
	if len(m.Body) > MaxBodyBytes {
		return fmt.Errorf("%w: %d bytes, at most %d; split it", ErrTooLarge, len(m.Body), MaxBodyBytes)
	}
	for _, h := range []struct{ name, value string }{
		{HeaderContentType, m.ContentType}, {HeaderContentEncoding, m.ContentEncoding}, {HeaderID, m.ID},
		{HeaderBatch, m.Batch}, {HeaderProfile, m.Profile}, {HeaderLines, m.Lines},
	} {
		if len(h.value) > maxHeader || strings.ContainsFunc(h.value, notPrintable) {
			return fmt.Errorf("%w: %s is not up to %d bytes of printable ASCII", ErrMessage, h.name, maxHeader)
		}
	}
	switch {
	case m.Series == "" && m.Number == 0:
	case m.Number < 1:
		return fmt.Errorf("%w: the number %d in series %.70q; count from 1", ErrMessage, m.Number, m.Series)
	default:
		if err := CheckSeries(m.Series); err != nil {
			return fmt.Errorf("%w: %w", ErrMessage, err)
		}
	}
	if m.ID == "" {
		m.ID = rand.Text()
		return nil
	}
	h := sha256.New()
	// Neither name nor id holds a zero, so no two triples run together.
	fmt.Fprintf(h, "%s\x00%s\x00", collector, m.ID)
	h.Write(m.Body)
	m.ID = base64.RawURLEncoding.EncodeToString(h.Sum(nil))
	return nil
}

// wire gives a new NATS message: the client writes a reply subject into it, so
// each attempt needs its own.
func (m *Message) wire(subject string) *nats.Msg {
	out := nats.NewMsg(subject)
	out.Data = m.Body
	out.Header.Set(HeaderID, m.ID)
	for _, h := range []struct{ name, value string }{
		{HeaderContentType, m.ContentType}, {HeaderContentEncoding, m.ContentEncoding},
		{HeaderBatch, m.Batch}, {HeaderProfile, m.Profile}, {HeaderLines, m.Lines},
	} {
		if h.value != "" {
			out.Header.Set(h.name, h.value)
		}
	}
	if m.Number > 0 {
		out.Header.Set(HeaderSeries, m.Series)
		out.Header.Set(HeaderNumber, strconv.FormatInt(m.Number, 10))
	}
	return out
}
