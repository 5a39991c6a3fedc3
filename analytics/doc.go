// Package analytics holds the words of the domain and the rules that turn
// samples into a ledger: equivalent full cycles, rainflow cycles, warranted
// life spent, excursions and pace.
//
// Everything here is a pure function of its arguments. The package does no
// I/O, reads no clock and writes no log; the standard library is its only
// dependency. The same set of samples gives the same integers whatever order
// it arrived in, which is why sums are integers and divisions happen when a
// result is read.
package analytics
