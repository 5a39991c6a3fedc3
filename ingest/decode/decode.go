package decode

import (
	"context"
	"fmt"
	"io"

	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

// Options say what a delivery claims to be, and how much of it is read.
type Options struct {
	// ContentType is text/csv, application/json or application/x-ndjson, with
	// or without parameters; "" tells by the first bytes.
	ContentType string
	// ContentEncoding is gzip or zstd; "" tells by the first bytes.
	ContentEncoding string
	// Profile of the source; nil is the plain contract.
	Profile *profile.Profile

	// Limits; zero stands for the Default of the same name.
	MaxLineBytes     int
	MaxFieldBytes    int
	MaxUnpackedBytes int64
	MaxRatio         int64
	MaxRows          int64
}

// Row is one sample of one unit. Line is the physical line of a CSV or NDJSON
// delivery, counted from 1, and the number of the sample in a JSON array.
type Row struct {
	Serial analytics.Serial
	Sample analytics.Sample
	Line   int
}

// Problem is a row that cannot be counted.
type Problem struct {
	// Line is counted as in Row; Field names the column or key as the source
	// does, "" where the row as a whole is bad.
	Line  int
	Field string
	// Reason is one of the row reasons; Message says what is wrong with this
	// row, Remedy what to do.
	Reason, Message, Remedy string
	// Serial is the unit, "" where it could not be read.
	Serial analytics.Serial
	// Raw holds the bytes of the row, at most MaxRawBytes of them, and RawCut
	// says that there were more. The slice belongs to the receiver.
	Raw    []byte
	RawCut bool
	// Header is the header line of a CSV delivery, shared by all its problems,
	// so that Again can read the row alone; nil for JSON.
	Header []byte
}

// Sink takes what a delivery holds, in its order. An error stops the decoding.
// When Decode gives an error, nothing that the sink took may count.
type Sink interface {
	Row(Row) error
	Problem(Problem) error
}

// Report sums a delivery up: Read = Accepted + the sum of Problems.
type Report struct {
	// Format is csv, json, ndjson or envelope.
	Format                string
	Read, Accepted        int64
	Problems              map[string]int64
	Blank, Comments       int64
	PackedBytes, RawBytes int64
	Notes                 []Note
	SignFlips             []SignFlip
	// Header is the header line of a CSV delivery. Deliveries of one Decoder may
	// share it: it must not be written to.
	Header []byte
	// Collector and Batch come from a JSON envelope.
	Collector, Batch string
}

// Quarantined sums the problems.
func (r *Report) Quarantined() int64 {
	var sum int64
	for _, n := range r.Problems {
		sum += n
	}
	return sum
}

// Balanced reports whether every row read is accounted for.
func (r *Report) Balanced() bool { return r.Read == r.Accepted+r.Quarantined() }

// Noted gives how often a note was made.
func (r *Report) Noted(code NoteCode) int64 {
	var sum int64
	for _, n := range r.Notes {
		if n.Code == code {
			sum += n.Count
		}
	}
	return sum
}

// Refused is a delivery that cannot be trusted as a whole. Line is where it
// was found out, 0 when that says nothing.
type Refused struct {
	Reason, Message, Remedy string
	Line                    int
}

// Error writes the message with its reason.
func (r *Refused) Error() string {
	if r.Line > 0 {
		return fmt.Sprintf("delivery refused at line %d: %s (%s)", r.Line, r.Message, r.Reason)
	}
	return fmt.Sprintf("delivery refused: %s (%s)", r.Message, r.Reason)
}

func refuse(reason string, line int, format string, args ...any) *Refused {
	return &Refused{Reason: reason, Message: fmt.Sprintf(format, args...), Remedy: remedyFor(reason), Line: line}
}

// Decoder reads deliveries of one source, one after the other, and keeps its
// buffers and its table of serials between them. It is not safe for use by
// several goroutines at once.
type Decoder struct {
	opt     Options
	prof    *profile.Profile
	kind    kind
	kindErr error
	in      unpacker
	win     window
	serials serials
	sink    Sink
	rep     Report

	// The row being read.
	row       Row
	rowNotes  rowNotes
	seen      uint32
	serialIdx int32
	fault     fault
	faulty    bool

	noteCounts [rowNoteCount]int64
	line       int
	ends, crlf int64
	date       dateCache
	// careful turns the fast ways off, to compare them with the careful ones.
	careful bool
	// alone says that the bytes are one row as a Problem keeps it: in UTF-8
	// already, and of a known kind.
	alone bool
	csv   csvState
	json  jsonState
}

// New gives a Decoder for deliveries that share the options.
func New(opt Options) *Decoder {
	d := &Decoder{opt: opt.withDefaults(), prof: opt.Profile}
	d.win.max = 2*d.opt.MaxLineBytes + 4096
	d.in.limit, d.in.ratio = d.opt.MaxUnpackedBytes, d.opt.MaxRatio
	d.serials.prof = opt.Profile
	d.kind, d.kindErr = contentKind(opt.ContentType)
	return d
}

// Decode reads one delivery with a Decoder of its own.
func Decode(ctx context.Context, r io.Reader, opt Options, sink Sink) (Report, error) {
	return New(opt).Decode(ctx, r, sink)
}

// Decode reads one delivery. The error is *Refused when the delivery as a
// whole is bad, the context's when it ended, and else that of the reader or
// the sink; the report then tells how far it came.
func (d *Decoder) Decode(ctx context.Context, r io.Reader, sink Sink) (Report, error) {
	d.rep = Report{Problems: map[string]int64{}}
	d.sink, d.line, d.ends, d.crlf = sink, 0, 0, 0
	d.noteCounts = [rowNoteCount]int64{}
	d.serials.begin()
	d.json.begin()
	err := d.deliver(ctx, r)
	d.win.r, d.sink = nil, nil
	if err == nil && d.rep.Read == 0 {
		d.note(NoteNoRows, "", 1)
	}
	d.closeNotes()
	return d.rep, err
}

func (d *Decoder) deliver(ctx context.Context, r io.Reader) error {
	if d.kindErr != nil {
		return d.kindErr
	}
	defer d.in.close()
	defer func() { d.rep.PackedBytes, d.rep.RawBytes = d.in.src.n, d.in.unpacked }()
	kind, err := d.open(ctx, &d.in, r, d.kind)
	if err != nil {
		return err
	}
	if kind == kindCSV {
		d.rep.Format = "csv"
		return d.decodeCSV()
	}
	return d.decodeJSON(kind)
}

// Again decodes one row alone, as kept in a Problem: header is its Header,
// raw its Raw. It gives the row, or the problem that it has with these
// options. A row of which only the beginning was kept has a problem whatever
// the options are: its last value may be cut.
func Again(ctx context.Context, header, raw []byte, opt Options) (Row, *Problem, error) {
	if len(raw) >= MaxRawBytes {
		return Row{}, &Problem{
			Line: 1, Reason: ReasonLineTooLong, Message: fmt.Sprintf("only the first %d bytes of the row were kept", MaxRawBytes),
			Remedy: "send the row again", Raw: raw, RawCut: true, Header: header,
		}, nil
	}
	var one single
	opt.ContentEncoding = "identity"
	body := raw
	if opt.ContentType = "application/x-ndjson"; len(header) > 0 {
		opt.ContentType = "text/csv"
		body = append(append(append(make([]byte, 0, len(header)+len(raw)+2), header...), '\n'), raw...)
		body = append(body, '\n')
	}
	d := New(opt)
	d.alone = true
	rep, err := d.Decode(ctx, &sliceReader{body}, &one)
	switch {
	case err != nil:
		return Row{}, nil, fmt.Errorf("decode row again: %w", err)
	case rep.Read != 1:
		return Row{}, nil, fmt.Errorf("decode row again: %d rows where one was kept", rep.Read)
	}
	return one.row, one.problem, nil
}

// single keeps the last row and problem.
type single struct {
	row     Row
	problem *Problem
}

func (s *single) Row(r Row) error         { s.row = r; return nil }
func (s *single) Problem(p Problem) error { s.problem = &p; return nil }
