package decode

import (
	"fadeledger/ingest/profile"
)

// sample reads the sample at i into the row. Faults of single values are kept
// and the reading goes on to the end of the object, so that its serial is
// known and the next object can be found.
func (d *Decoder) sample(b []byte, i int) (next int, st state) {
	d.json.stamp++
	d.json.unknown = d.json.unknown[:0]
	if len(d.json.keys) >= maxKeys {
		d.forgetKeys()
	}
	if i >= len(b) {
		return i, stateMore
	}
	if b[i] != '{' {
		if next, st = d.skipValue(b, i, 0); st == stateDone {
			d.fail(ReasonNotAnObject, "", "%s where a sample was expected", excerpt(b[i:next]))
		}
		return next, st
	}
	if i = skipBlank(b, i+1); i < len(b) && b[i] == '}' {
		return i + 1, stateDone
	}
	for k := 0; ; k++ {
		var key *jsonKey
		if key, i, st = d.key(b, i, k); st != stateDone {
			return i, st
		}
		if i = skipBlank(b, i); i >= len(b) {
			return i, stateMore
		}
		if i, st = d.value(b, i, key); st != stateDone {
			return i, st
		}
		if i < len(b) && b[i] <= ' ' {
			i = skipBlank(b, i)
		}
		switch {
		case i >= len(b):
			return i, stateMore
		case b[i] == '}':
			return i + 1, stateDone
		case b[i] != ',':
			d.json.wrong = "neither a comma nor a brace after a value"
			return i, stateSyntax
		}
		if i++; i < len(b) && b[i] <= ' ' {
			i = skipBlank(b, i)
		}
	}
}

// key reads the k-th key of an object and its colon. A key that cannot be
// kept is nil.
func (d *Decoder) key(b []byte, i, k int) (key *jsonKey, next int, st state) {
	if i >= len(b) {
		return nil, i, stateMore
	}
	if b[i] != '"' {
		d.json.wrong = "no key where one is expected"
		return nil, i, stateSyntax
	}
	if k < len(d.json.order) && !d.careful {
		key = d.json.order[k]
		end := i + 1 + len(key.name)
		if end+1 < len(b) && b[end] == '"' && string(b[i+1:end]) == key.name && !key.escaped && b[end+1] == ':' {
			return d.meet(key), end + 2, stateDone
		}
	}
	t, next, st := d.textAt(b, i)
	if st != stateDone {
		return nil, next, st
	}
	if key = d.lookupKey(b[t.from:t.to], t.escaped); key != nil {
		if k < len(d.json.order) {
			d.json.order[k] = key
		} else if k == len(d.json.order) && k < maxKeys {
			d.json.order = append(d.json.order, key)
		}
		key = d.meet(key)
	}
	next, st = d.colon(b, next)
	return key, next, st
}

// meet stamps a key and finds that it came before in the same object.
func (d *Decoder) meet(key *jsonKey) *jsonKey {
	if key.stamp == d.json.stamp {
		d.fail(ReasonDuplicateKey, key.name, "key %q twice in one object", key.name)
	}
	key.stamp = d.json.stamp
	return key
}

// lookupKey gives what a key means; nil after a fault.
func (d *Decoder) lookupKey(raw []byte, escaped bool) *jsonKey {
	if len(raw) > d.opt.MaxFieldBytes {
		d.fail(ReasonFieldTooLong, "", "a key of %d bytes", len(raw))
		return nil
	}
	if escaped {
		plain, reason := unescape(raw)
		if reason != "" {
			d.fail(reason, "", "key %s", excerpt(raw))
			return nil
		}
		raw = plain
	}
	if key, ok := d.json.keys[string(raw)]; ok {
		return key
	}
	if len(d.json.keys) >= maxKeys {
		d.fail(ReasonTooManyKeys, "", "more than %d different keys", maxKeys)
		return nil
	}
	key := &jsonKey{name: string(raw), escaped: escaped}
	col, verdict := d.prof.Lookup(key.name)
	key.column, key.verdict = newColumn(key.name, col), verdict
	if verdict != profile.Known {
		key.column.field = profile.NoField
	}
	d.json.keys[key.name] = key
	return key
}

// value reads the value of a key.
func (d *Decoder) value(b []byte, i int, key *jsonKey) (next int, st state) {
	if key == nil {
		return d.skipValue(b, i, 1)
	}
	c := &key.column
	if c.field == profile.NoField {
		return d.unusedValue(b, i, key)
	}
	if bit := uint32(4) << c.field; d.seen&bit != 0 {
		d.fail(ReasonDuplicateField, key.name, "%q is a second value of %s", key.name, c.field)
	} else {
		d.seen |= bit
	}
	plain := !d.careful && (d.prof == nil || len(d.prof.Absent) == 0)
	switch ch := b[i]; {
	case ch == '"':
		return d.textValue(b, i, c)
	case (ch == '-' || ch-'0' <= 9) && c.field > profile.Time:
		if plain {
			if v, next := c.numberAt(b, i); next >= 0 && next < len(b) && !wordByte(b[next]) {
				d.store(c.field, v)
				return next, stateDone
			}
		}
		return d.wordValue(b, i, c)
	case ch-'0' <= 9 && c.field == profile.Time:
		if plain && (d.prof == nil || d.prof.Time == profile.TimeAuto) {
			if t, size := fastEpoch(aheadOf(b[i:])); size > 0 && i+size < len(b) && !wordByte(b[i+size]) {
				d.row.Sample.Time = t
				d.seen |= seenTime
				return i + size, stateDone
			}
		}
	}
	return d.wordValue(b, i, c)
}

// unusedValue skips the value of a key that carries no field.
func (d *Decoder) unusedValue(b []byte, i int, key *jsonKey) (next int, st state) {
	switch key.verdict {
	case profile.Ambiguous:
		d.fail(ReasonAmbiguousUnit, key.name, "%q can mean milli or mega", key.name)
	case profile.OtherCase:
		d.fail(ReasonKeyCase, key.name, "%q differs from a known key by case or blanks", key.name)
	case profile.Unknown:
		d.json.unknown = append(d.json.unknown, key)
	}
	return d.skipValue(b, i, 1)
}

// textValue reads a JSON text.
func (d *Decoder) textValue(b []byte, i int, c *column) (next int, st state) {
	t, next, st := d.textAt(b, i)
	if st != stateDone {
		return next, st
	}
	raw := b[t.from:t.to]
	plain := !t.escaped && !d.careful && (d.prof == nil || len(d.prof.Absent) == 0)
	switch {
	case plain && c.field == profile.Unit && (d.prof == nil || d.prof.Unit == "") && d.fastUnit(raw):
		return next, stateDone
	case plain && c.field == profile.Time && len(raw) >= 20 && (d.prof == nil || d.prof.Time <= profile.TimeRFC3339):
		if at, size := d.fastTime(aheadOf(raw)); size == len(raw) {
			d.row.Sample.Time = at
			d.seen |= seenTime
			return next, stateDone
		}
	}
	if t.escaped {
		plain, reason := unescape(raw)
		if reason != "" {
			d.fail(reason, c.name, "%s", excerpt(raw))
			return next, stateDone
		}
		raw = plain
	}
	if (c.field > profile.Time || c.field == profile.Time && epochLike(raw)) && !d.textNumber(c, raw) {
		return next, stateDone
	}
	d.setText(c, raw, styleJSON)
	return next, stateDone
}

// textNumber reports whether a text may stand for the number of a field.
func (d *Decoder) textNumber(c *column, raw []byte) bool {
	if d.absent(raw) {
		return true
	}
	if d.prof != nil && d.prof.NumbersAsText {
		d.rowNotes |= rowNumberAsText
		return true
	}
	reason := ReasonNumberAsText
	if unreadableNumber(raw) == ReasonNumberNotFinite {
		reason = ReasonNumberNotFinite
	}
	d.fail(reason, c.name, "%s in quotes", excerpt(raw))
	return false
}

// wordValue reads a number, null or anything else that is no text.
func (d *Decoder) wordValue(b []byte, i int, c *column) (next int, st state) {
	if next, st = d.skipValue(b, i, 1); st != stateDone {
		return next, st
	}
	word := b[i:next]
	switch first := word[0]; {
	case string(word) == "null":
	case (first == '-' || first-'0' <= 9) && c.field != profile.Unit && !infinite(word):
		d.setText(c, word, styleJSON)
	case unreadableNumber(word) == ReasonNumberNotFinite:
		d.fail(ReasonNumberNotFinite, c.name, "%s is no number", excerpt(word))
	case first == '{' || first == '[' || c.field == profile.Unit || string(word) == "true" || string(word) == "false":
		d.fail(ReasonTypeMismatch, c.name, "%s where %s is expected", excerpt(word), c.field)
	default:
		d.fail(ReasonNumberUnreadable, c.name, "%s is no number", excerpt(word))
	}
	return next, stateDone
}

// infinite reports whether a word that begins like a number is -Infinity or
// such.
func infinite(word []byte) bool {
	return len(word) > 1 && word[0] == '-' && word[1] > '9' && unreadableNumber(word) == ReasonNumberNotFinite
}
