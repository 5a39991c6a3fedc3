package broker

import (
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
)

// Difference is a setting of a stream that is not as it must be.
type Difference struct{ Name, Have, Want string }

// SettingsError says how an existing stream, or a consumer of it, differs from
// what is needed, where changing it could lose or reorder what it holds.
type SettingsError struct {
	Stream string
	// Consumer is empty where the stream itself differs.
	Consumer    string
	Differences []Difference
}

// Error lists each setting with what it is and what it must be.
func (e *SettingsError) Error() string {
	var b strings.Builder
	if e.Consumer == "" {
		fmt.Fprintf(&b, "stream %s is set differently:", e.Stream)
	} else {
		fmt.Fprintf(&b, "consumer %s of stream %s is set differently:", e.Consumer, e.Stream)
	}
	for _, d := range e.Differences {
		fmt.Fprintf(&b, " %s is %s, must be %s;", d.Name, d.Have, d.Want)
	}
	if e.Consumer == "" {
		b.WriteString(" count what it holds with the settings it has, then remove it, or use another server")
	} else {
		b.WriteString(" remove the consumer: it is made anew and reads from the first delivery, and what is counted already changes nothing")
	}
	return b.String()
}

// setting is one part of the configuration C of a stream or a consumer. Where
// it is mendable a change on a running one loses nothing.
type setting[C any] struct {
	name     string
	mendable bool
	value    func(*C) any
}

// streamSettings lists everything that streamConfig sets.
func streamSettings() []setting[jetstream.StreamConfig] {
	type config = *jetstream.StreamConfig
	return []setting[jetstream.StreamConfig]{
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

// consumerSettings lists everything that consumerConfig sets. What the server
// refuses to change, or what would have skipped deliveries already, is not
// mendable.
func consumerSettings() []setting[jetstream.ConsumerConfig] {
	type config = *jetstream.ConsumerConfig
	return []setting[jetstream.ConsumerConfig]{
		{"description", true, func(c config) any { return c.Description }},
		{"durable_name", false, func(c config) any { return c.Durable }},
		{"deliver_policy", false, func(c config) any { return deliverText(c.DeliverPolicy) }},
		{"opt_start_time", false, func(c config) any { return c.OptStartTime }},
		{"replay_policy", false, func(c config) any { return c.ReplayPolicy }},
		{"ack_policy", false, func(c config) any { return c.AckPolicy }},
		{"ack_wait", true, func(c config) any { return c.AckWait }},
		{"max_deliver", true, func(c config) any { return c.MaxDeliver }},
		{"backoff", true, func(c config) any { return c.BackOff }},
		{"max_ack_pending", true, func(c config) any { return c.MaxAckPending }},
		{"filter_subject", false, func(c config) any { return c.FilterSubject }},
		{"filter_subjects", false, func(c config) any { return c.FilterSubjects }},
		{"max_waiting", false, func(c config) any { return c.MaxWaiting }},
		{"max_batch", true, func(c config) any { return c.MaxRequestBatch }},
		{"max_expires", true, func(c config) any { return c.MaxRequestExpires }},
		{"max_bytes", true, func(c config) any { return c.MaxRequestMaxBytes }},
		{"rate_limit_bps", true, func(c config) any { return c.RateLimit }},
		{"sample_freq", true, func(c config) any { return orNone(c.SampleFrequency) }},
		{"headers_only", true, func(c config) any { return c.HeadersOnly }},
		{"inactive_threshold", true, func(c config) any { return c.InactiveThreshold }},
		{"num_replicas", true, func(c config) any { return c.Replicas }},
		{"mem_storage", false, func(c config) any { return c.MemoryStorage }},
		{"priority_policy", false, func(c config) any { return c.PriorityPolicy }},
		{"priority_groups", false, func(c config) any { return c.PriorityGroups }},
		{"priority_timeout", false, func(c config) any { return c.PinnedTTL }},
		{"pause_until", false, func(c config) any { return c.PauseUntil }},
		{"deliver_subject", false, func(c config) any { return orNone(c.DeliverSubject) }},
		{"deliver_group", false, func(c config) any { return orNone(c.DeliverGroup) }},
		{"flow_control", false, func(c config) any { return c.FlowControl }},
		{"idle_heartbeat", false, func(c config) any { return c.IdleHeartbeat }},
	}
}

// deliverText takes a start at a sequence, which Resume gives, for a start at
// the first: both give everything that is not acknowledged.
func deliverText(p jetstream.DeliverPolicy) string {
	if p == jetstream.DeliverByStartSequencePolicy {
		p = jetstream.DeliverAllPolicy
	}
	return p.String()
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
func compare[C any](settings []setting[C], have, want C) (wrong, mendable []Difference) {
	for _, s := range settings {
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
