package decode

import (
	"fmt"
	"unicode/utf8"

	"fadeledger/ingest/profile"
)

// Keys of an envelope.
const (
	keyCollector = "collector"
	keyBatch     = "batch"
	keySamples   = "samples"
)

// isEnvelope reports whether the object at the window's position is an
// envelope: it has one of the envelope's keys before any field of a sample.
func (d *Decoder) isEnvelope() (bool, error) {
	for {
		b := d.win.buf[:min(d.win.end, d.win.pos+d.opt.MaxLineBytes+1)]
		envelope, known := d.envelopeIn(b, d.win.pos)
		if known || d.win.eof || len(d.win.rest()) > d.opt.MaxLineBytes {
			return envelope, nil
		}
		if err := d.win.more(); err != nil {
			return false, err
		}
	}
}

// envelopeIn looks at the keys in memory; known is false when they do not
// suffice.
func (d *Decoder) envelopeIn(b []byte, i int) (envelope, known bool) {
	for i = skipBlank(b, i+1); ; i = skipBlank(b, i+1) {
		if i >= len(b) {
			return false, false
		}
		if b[i] != '"' {
			return false, true
		}
		t, next, st := d.textAt(b, i)
		if st != stateDone {
			return false, st == stateSyntax
		}
		name := string(b[t.from:t.to])
		if name == keyCollector || name == keyBatch || name == keySamples {
			return true, true
		}
		if col, verdict := d.prof.Lookup(name); verdict == profile.Known && col.Field != profile.NoField {
			return false, true
		}
		if next, st = d.colon(b, next); st == stateDone {
			next, st = d.skipValue(b, skipBlank(b, next), 1)
		}
		if st != stateDone {
			return false, st != stateMore
		}
		if i = skipBlank(b, next); i < len(b) && b[i] != ',' {
			return false, true
		}
	}
}

// envelope reads {"collector": …, "batch": …, "samples": […]}.
func (d *Decoder) envelope() error {
	d.win.pos++
	seen := map[string]bool{}
	for {
		name, err := d.envelopeText("a key")
		if err != nil {
			return err
		}
		if seen[name] {
			return refuse(ReasonDuplicateKey, d.line+1, "key %q twice in the envelope", name)
		}
		if len(seen) >= maxDetails {
			return refuse(ReasonTooManyKeys, d.line+1, "more than %d keys in the envelope", maxDetails)
		}
		seen[name] = true
		if err := d.envelopeByte(':'); err != nil {
			return err
		}
		if err := d.envelopePart(name); err != nil {
			return err
		}
		c, err := d.peekByte()
		if err != nil {
			return err
		}
		if c == '}' {
			d.win.pos++
			break
		}
		if err := d.envelopeByte(','); err != nil {
			return err
		}
	}
	if !seen[keySamples] {
		return refuse(ReasonEnvelope, d.line+1, "an envelope without samples")
	}
	return nil
}

// envelopePart reads the value of one key.
func (d *Decoder) envelopePart(name string) (err error) {
	switch name {
	case keyCollector:
		d.rep.Collector, err = d.envelopeText(name)
	case keyBatch:
		d.rep.Batch, err = d.envelopeText(name)
	case keySamples:
		if err = d.envelopeByte('['); err == nil {
			err = d.jsonArray()
		}
	default:
		d.note(NoteUnknownColumn, name, 1)
		_, err = d.envelopeValue(name)
	}
	return err
}

// envelopeByte takes the byte that must come next.
func (d *Decoder) envelopeByte(want byte) error {
	c, err := d.peekByte()
	if err != nil {
		return err
	}
	if c != want {
		if want == '[' {
			return refuse(ReasonEnvelope, d.line+1, "samples is no array")
		}
		return d.jsonBroken(fmt.Sprintf("no %q where the envelope needs one", want))
	}
	d.win.pos++
	return nil
}

// envelopeText takes a text.
func (d *Decoder) envelopeText(what string) (string, error) {
	c, err := d.peekByte()
	if err != nil {
		return "", err
	}
	if c != '"' {
		if what == "a key" {
			return "", d.jsonBroken("no key where the envelope needs one")
		}
		return "", refuse(ReasonEnvelope, d.line+1, "%s is no text", what)
	}
	value, err := d.envelopeValue(what)
	if err != nil {
		return "", err
	}
	plain, reason := unescape(value[1 : len(value)-1])
	if reason == "" && !utf8.Valid(plain) {
		reason = ReasonUTF8Invalid
	}
	if reason != "" {
		return "", refuse(reason, d.line+1, "%s: %s", what, excerpt(value))
	}
	return string(plain), nil
}

// envelopeValue takes a value of at most MaxFieldBytes. The slice is good
// until the window moves.
func (d *Decoder) envelopeValue(what string) ([]byte, error) {
	if _, err := d.peekByte(); err != nil {
		return nil, err
	}
	for {
		from := d.win.pos
		next, st := d.skipValue(d.win.buf[:min(d.win.end, from+d.opt.MaxFieldBytes+1)], from, 1)
		switch {
		case st == stateDone && next-from <= d.opt.MaxFieldBytes:
			d.win.pos = next
			return d.win.buf[from:next], nil
		case st == stateDone, st == stateMore && len(d.win.rest()) > d.opt.MaxFieldBytes:
			return nil, refuse(ReasonEnvelope, d.line+1, "%s has more than %d bytes", what, d.opt.MaxFieldBytes)
		case st == stateDepth:
			return nil, refuse(ReasonJSONDepth, d.line+1, "%s is nested deeper than %d", what, MaxDepth)
		case st == stateSyntax, d.win.eof:
			return nil, d.jsonBroken(d.json.wrong)
		}
		if err := d.win.more(); err != nil {
			return nil, err
		}
	}
}
