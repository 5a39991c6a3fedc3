// Package ingest takes deliveries from the broker and hands them to the ledger.
//
//	partition 0 ─► read ─┐
//	partition 1 ─► read ─┼─► lane: gather ─► one transaction ─► acknowledge
//	…                    ┘
//
// A worker holds a lease on some partitions, reads their deliveries in order,
// gathers many for one transaction of the ledger and acknowledges them only
// once it is committed. Nothing that counts rests on the broker's memory, on an
// acknowledgement or on a lease: the ledger recognises deliveries and samples
// by what they are, under lock.
package ingest
