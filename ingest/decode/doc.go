// Package decode reads telemetry deliveries, CSV and JSON, packed or not, in
// a stream with bounded memory, and gives samples and problems.
//
// Every row of a delivery ends as exactly one Row or one Problem; a delivery
// that cannot be trusted as a whole ends as *Refused, and then nothing that
// was handed to the Sink before may count. Numbers are decimals turned into
// scaled integers exactly; no floating point is involved.
//
// The package has no clock, writes no log and knows no database. It judges a
// row alone: what needs the store, such as samples from the future, conflicts
// and duplicates, is decided later.
//
//	bytes -> unpack (gzip, zstd; limits) -> charset -> window -> CSV  fast row, else careful row
//	                                                         -> JSON object by object
package decode
