package proxy

import "time"

// Protocol is what a proxy understands of the bytes that pass.
type Protocol int

// The protocols. Plain takes bytes as they come.
const (
	Plain Protocol = iota
	Postgres
	NATS
)

// Direction is one of the two ways through a link.
type Direction int

// The directions.
const (
	ToServer Direction = iota
	ToClient
)

// Rules say what becomes of traffic. The zero value lets everything pass. Rules
// that are replaced take hold at once, on open links too.
type Rules struct {
	// Latency delays every byte, Jitter by up to so much more; order stays.
	Latency time.Duration `json:"latency,omitempty"`
	Jitter  time.Duration `json:"jitter,omitempty"`
	// BytesPerSecond bounds each direction of a link; 0 means no bound.
	BytesPerSecond int `json:"bytes_per_second,omitempty"`
	// Slice is the most bytes of one write; 0 means no bound.
	Slice int `json:"slice,omitempty"`
	// HoldToServer and HoldToClient keep back what comes in that direction
	// and pass it on once the rule is lifted, as TCP does over a network that
	// was away.
	HoldToServer bool `json:"hold_to_server,omitempty"`
	HoldToClient bool `json:"hold_to_client,omitempty"`
	// DropToServer and DropToClient lose what comes in that direction while
	// the connection seems to stand. A link that has lost something is reset
	// when the rule is lifted: its stream has a hole.
	DropToServer bool `json:"drop_to_server,omitempty"`
	DropToClient bool `json:"drop_to_client,omitempty"`
	// Refuse resets every new connection.
	Refuse bool `json:"refuse,omitempty"`
	// CutAfter cuts a link once so many bytes have passed it under this rule,
	// in both directions together; 0 means never. Reset cuts with RST instead
	// of FIN.
	CutAfter int64 `json:"cut_after,omitempty"`
	Reset    bool  `json:"reset,omitempty"`

	// HideCommits is how many COMMITs from now on are forwarded to the server
	// and executed there, while the client's connection is reset instead of
	// answered. LoseCommits is how many never reach the server. Both count
	// over all links of the proxy, and only COMMITs of transactions in which a
	// statement held CommitOf, where that is set.
	HideCommits int    `json:"hide_commits,omitempty"`
	LoseCommits int    `json:"lose_commits,omitempty"`
	CommitOf    string `json:"commit_of,omitempty"`

	// LoseAcks is the share of a NATS client's acknowledgements that never
	// reach the server, LosePubAcks the share of the server's answers to
	// publishes into a stream that never reach the client.
	LoseAcks    float64 `json:"lose_acks,omitempty"`
	LosePubAcks float64 `json:"lose_pub_acks,omitempty"`
}

// holds reports whether a direction is kept back.
func (r Rules) holds(d Direction) bool {
	return d == ToServer && r.HoldToServer || d == ToClient && r.HoldToClient
}

// Counts are what a proxy has done so far: the proof that a fault struck.
type Counts struct {
	// Accepted and Refused are connections, Open those that stand.
	Accepted, Refused, Open int
	// Cut are links that the proxy ended, by a rule or by Cut.
	Cut int
	// Passed and Dropped are bytes of both directions, Held the chunks that
	// waited for a rule to be lifted, Delayed those that waited for a latency
	// or a bandwidth.
	Passed, Dropped int64
	Held, Delayed   int64
	// Commits are COMMITs that a client sent; HiddenCommits those that the
	// server confirmed by COMMIT while the client was not told, HiddenOther
	// those of which the server said something else or nothing in time;
	// LostCommits those that never reached it.
	Commits, HiddenCommits, HiddenOther, LostCommits int
	// Acks and PubAcks passed or were lost; LostAcks and LostPubAcks were
	// lost.
	Acks, LostAcks, PubAcks, LostPubAcks int
}
