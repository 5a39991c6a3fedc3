// Package broker keeps the way in: one JetStream stream in which every
// delivery is stored before anyone counts it.
//
//	publisher ── telemetry.<collector> ──► stream TELEMETRY
//	                                        stored as telemetry.<p>.<collector>
//	                                          │
//	            consumer count-p000 ◄─────────┤  one durable pull consumer
//	            consumer count-p001 ◄─────────┤  per partition
//	            …                             ┘
//
// The server computes the partition from the collector's name, so a publisher
// cannot choose it and needs not know how many there are. All deliveries of a
// collector are in one partition, in the order in which they were stored.
//
// The package knows bytes, headers and sequences. What a delivery means is no
// concern of it, and neither is whether it was counted: exactly-once rests on
// the identity and content of samples in the database. Message ids only save
// work, and sequences are a position and an audit trail.
//
// The same code serves the embedded server (StartEmbedded) and an external one
// (Connect); only the connection differs.
package broker
