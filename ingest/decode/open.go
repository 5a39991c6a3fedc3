package decode

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"mime"
	"strings"

	"fadeledger/ingest/profile"
)

// kind is the form of a delivery.
type kind uint8

const (
	kindUnknown kind = iota
	kindCSV
	kindJSON
	kindLines
)

// contentKind reads a Content-Type; "" is kindUnknown.
func contentKind(contentType string) (kind, error) {
	if contentType == "" {
		return kindUnknown, nil
	}
	media, _, err := mime.ParseMediaType(contentType)
	if err != nil {
		media = contentType
	}
	switch strings.ToLower(media) {
	case "text/csv":
		return kindCSV, nil
	case "application/json":
		return kindJSON, nil
	case "application/x-ndjson":
		return kindLines, nil
	}
	return kindUnknown, refuse(ReasonTypeUnsupported, 0, "Content-Type %q", contentType)
}

// open fills the window with the first unpacked bytes, converts them to UTF-8
// where needed, and tells the kind.
func (d *Decoder) open(ctx context.Context, in *unpacker, r io.Reader, announced kind) (kind, error) {
	detected, err := in.open(r, strings.ToLower(d.opt.ContentEncoding))
	if err != nil {
		return 0, err
	}
	if detected {
		d.note(NotePackedDetected, "", 1)
	}
	d.win.start(ctx, in)
	if d.alone {
		return announced, nil
	}
	if err := d.win.need(4); err != nil {
		return 0, err
	}
	if err := d.openText(ctx, in); err != nil {
		return 0, err
	}
	if err := d.win.need(512); err != nil {
		return 0, err
	}
	return d.sniff(announced)
}

// openText strips a byte-order mark and converts the charset.
func (d *Decoder) openText(ctx context.Context, in *unpacker) error {
	head := d.win.rest()
	switch {
	case bytes.HasPrefix(head, []byte("\xef\xbb\xbf")):
		d.win.pos += 3
		d.note(NoteBOM, "", 1)
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")):
		big := head[0] == 0xfe
		d.win.pos += 2
		from := &utf16Reader{r: io.MultiReader(&sliceReader{d.win.head()}, in), bigEndian: big}
		d.win.start(ctx, from)
		d.note(NoteUTF16, "", 1)
	case d.prof != nil && d.prof.Charset == profile.Windows1252:
		from := &windows1252Reader{r: io.MultiReader(&sliceReader{d.win.head()}, in)}
		d.win.start(ctx, from)
		d.note(NoteWindows1252, "", 1)
	}
	return d.win.need(4)
}

// sniff tells the kind by the first bytes, and refuses what is no telemetry.
func (d *Decoder) sniff(announced kind) (kind, error) {
	head := d.win.rest()
	if len(head) > 512 {
		head = head[:512]
	}
	text := bytes.TrimLeft(head, " \t\r\n")
	switch {
	case len(text) == 0 && d.win.eof:
		return 0, refuse(ReasonEmpty, 0, "no telemetry in it")
	case bytes.HasPrefix(head, []byte("PK\x03\x04")), bytes.HasPrefix(head, []byte("PK\x05\x06")):
		return 0, refuse(ReasonArchive, 0, "a zip archive or a workbook")
	case len(text) > 0 && text[0] == '<':
		return 0, refuse(ReasonWebPage, 1, "a page in HTML or XML, not telemetry")
	case bytes.Count(head, []byte{0}) > len(head)/8:
		return 0, refuse(ReasonCharsetUnknown, 0, "many NUL bytes: UTF-16 without a byte-order mark, or no text")
	case notText(head):
		return 0, refuse(ReasonCharsetUnknown, 0, "bytes that no text has")
	}
	isJSON := len(text) > 0 && (text[0] == '{' || text[0] == '[')
	switch {
	case announced == kindUnknown && isJSON:
		return d.jsonKind(text[0]), nil
	case announced == kindUnknown:
		return kindCSV, nil
	case announced == kindCSV && isJSON:
		return 0, refuse(ReasonTypeMismatchWhole, 1, "JSON, announced as CSV")
	case announced == kindJSON && len(text) > 0 && !isJSON:
		return 0, refuse(ReasonTypeMismatchWhole, 1, "begins with %q, announced as JSON", text[:1])
	}
	return announced, nil
}

// notText reports control characters that text does not hold.
func notText(head []byte) bool {
	n := 0
	for i := 0; i < len(head); i++ {
		if rest := head[i:]; len(rest) >= 8 && noControls(binary.LittleEndian.Uint64(rest)) {
			i += 7
			continue
		}
		if c := head[i]; c < ' ' && c != '\t' && c != '\n' && c != '\r' && c != 0 {
			n++
		}
	}
	return n > len(head)/32+1
}

// noControls reports that none of eight bytes is below the blank.
func noControls(x uint64) bool {
	return (x-0x2020202020202020)&^x&0x8080808080808080 == 0
}

// jsonKind tells lines of objects from one JSON value: the first line is a
// whole object and something follows.
func (d *Decoder) jsonKind(first byte) kind {
	if first == '[' {
		return kindJSON
	}
	for {
		// No more than this is looked at, however much is in memory: the answer
		// must not depend on the sizes in which the bytes come.
		rest := d.win.rest()
		most := len(rest) > d.opt.MaxLineBytes
		if most {
			rest = rest[:d.opt.MaxLineBytes]
		}
		rest = bytes.TrimLeft(rest, " \t\r\n")
		line, after, found := bytes.Cut(rest, []byte{'\n'})
		after = bytes.TrimLeft(after, " \t\r\n")
		switch {
		case found && !bytes.HasSuffix(bytes.TrimRight(line, " \t\r"), []byte{'}'}):
			return kindJSON
		case found && len(after) > 0:
			if after[0] == '{' {
				return kindLines
			}
			return kindJSON
		case d.win.eof || most:
			return kindJSON
		}
		if d.win.more() != nil {
			// The same fault comes up again when the value is read.
			return kindJSON
		}
	}
}
