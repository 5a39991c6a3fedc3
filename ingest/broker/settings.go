package broker

import (
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
)

// Difference is a setting of a stream that is not as it must be.
type Difference struct{ Name, Have, Want string }

// SettingsError says how an existing stream differs from what is needed, where
// changing it could lose or reorder what it holds.
type SettingsError struct {
	Stream      string
	Differences []Difference
}

// Error lists each setting with what it is and what it must be.
func (e *SettingsError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "stream %s is set differently:", e.Stream)
	for _, d := range e.Differences {
		fmt.Fprintf(&b, " %s is %s, must be %s;", d.Name, d.Have, d.Want)
	}
	b.WriteString(" count what it holds with the settings it has, then remove it, or use another server")
	return b.String()
}

// setting is one part of a stream's configuration. Where it is mendable a
// change on a running stream loses nothing.
type setting struct {
	name     string
	mendable bool
	value    func(*jetstream.StreamConfig) any
}

// settings lists everything that streamConfig sets.
func settings() []setting {
	type config = *jetstream.StreamConfig
	return []setting{
		{"description", true, func(c config) any { return c.Description }},
		{"subjects", false, func(c config) any { return c.Subjects }},
		{"subject_transform", false, func(c config) any { return transformText(c.SubjectTransform) }},
		{"retention", false, func(c config) any { return c.Retention }},
		{"storage", false, func(c config) any { return c.Storage }},
		{"num_replicas", false, func(c config) any { return c.Replicas }},
		{"discard", false, func(c config) any { return c.Discard }},
		{"discard_new_per_subject", false, func(c config) any { return c.DiscardNewPerSubject }},
		{"max_bytes", true, func(c config) any { return c.MaxBytes }},
		{"max_age", false, func(c config) any { return c.MaxAge }},
		{"max_msgs", false, func(c config) any { return c.MaxMsgs }},
		{"max_msgs_per_subject", false, func(c config) any { return c.MaxMsgsPerSubject }},
		{"max_msg_size", true, func(c config) any { return c.MaxMsgSize }},
		{"max_consumers", false, func(c config) any { return c.MaxConsumers }},
		{"no_ack", false, func(c config) any { return c.NoAck }},
		{"duplicate_window", true, func(c config) any { return c.Duplicates }},
		{"mirror", false, func(c config) any { return c.Mirror != nil }},
		{"sources", false, func(c config) any { return len(c.Sources) }},
		{"republish", false, func(c config) any { return c.RePublish != nil }},
		{"sealed", false, func(c config) any { return c.Sealed }},
		{"deny_delete", true, func(c config) any { return c.DenyDelete }},
		{"deny_purge", false, func(c config) any { return c.DenyPurge }},
		{"allow_rollup_hdrs", false, func(c config) any { return c.AllowRollup }},
		{"allow_msg_ttl", false, func(c config) any { return c.AllowMsgTTL }},
		{"subject_delete_marker_ttl", false, func(c config) any { return c.SubjectDeleteMarkerTTL }},
		{"allow_msg_counter", false, func(c config) any { return c.AllowMsgCounter }},
		{"allow_msg_schedules", false, func(c config) any { return c.AllowMsgSchedules }},
		{"allow_atomic", true, func(c config) any { return c.AllowAtomicPublish }},
		{"allow_batched", true, func(c config) any { return c.AllowBatchPublish }},
		{"persist_mode", false, func(c config) any { return c.PersistMode }},
		{"compression", true, func(c config) any { return c.Compression }},
		{"allow_direct", true, func(c config) any { return c.AllowDirect }},
		{"mirror_direct", false, func(c config) any { return c.MirrorDirect }},
		{epochKey, false, func(c config) any { return orNone(c.Metadata[epochKey]) }},
		{partitionsKey, false, func(c config) any { return orNone(c.Metadata[partitionsKey]) }},
	}
}

func transformText(t *jetstream.SubjectTransformConfig) string {
	if t == nil {
		return "none"
	}
	return t.Source + " -> " + t.Destination
}

func orNone(text string) string {
	if text == "" {
		return "none"
	}
	return text
}

// compare gives the differences that stand in the way and those that may be
// mended.
func compare(have, want jetstream.StreamConfig) (wrong, mendable []Difference) {
	for _, s := range settings() {
		d := Difference{s.name, fmt.Sprint(s.value(&have)), fmt.Sprint(s.value(&want))}
		missing := s.name == epochKey && d.Have == "none"
		if missing {
			d.Want = "an id made with the stream"
		}
		switch {
		case d.Have == d.Want:
		case s.mendable:
			mendable = append(mendable, d)
		default:
			wrong = append(wrong, d)
		}
	}
	return wrong, mendable
}
