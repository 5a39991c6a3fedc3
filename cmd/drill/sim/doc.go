// Package sim runs the way of a sample into the ledger on one thread, with a
// broker, a database, collectors and a clock that exist only to fail: workers
// are the code of package ingest, transactions that of package book, and every
// step between them is chosen by a seed.
//
// A Schedule is data: what units report, and which faults happen when. The same
// schedule gives the same run. After its last fault a run goes on until nothing
// moves any more; then the database must hold, field by field, what package
// reference counts from everything that was ever delivered.
package sim
