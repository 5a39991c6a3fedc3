// Package proxy stands between a client and a server and spoils what passes:
// it delays, slows, cuts, withholds and loses, by rules that may change at any
// time. It reads enough of Postgres' and NATS' protocols to strike at one
// chosen message, such as the answer to a COMMIT.
//
//	client ◄─► link ◄─► server
//	            │
//	            ├─ pump to the server: read a message, ask the rules, write
//	            └─ pump to the client: the same
//
// A link is one connection. What the rules draw by chance is fixed by the seed,
// the number of the link and the direction, so that the decisions of a run
// repeat as far as the traffic does.
package proxy
