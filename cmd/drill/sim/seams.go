package sim

import (
	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/store/book"
)

// seams are where a known mistake can be put in, to see that it is found. The
// zero value puts in none.
type seams struct {
	// take may change what is to be counted.
	take func(c *client, in []analytics.Incoming) []analytics.Incoming
	// tx may wrap a transaction.
	tx func(*transaction) book.Tx
	// write may change what a transaction writes; committed is called when it
	// has.
	write     func(*transaction, *book.Changes)
	committed func(*transaction)
	// lax lets rows pass that are there already, laxRelease those that were
	// released already.
	lax, laxRelease bool
	// noLock gives ledgers without locking them, lockOutside frees them before
	// the commit.
	noLock, lockOutside bool
	// commit may change what a commit answers.
	commit func(tx *transaction, err error) error
	// message may wrap a delivery or, by nil, drop it.
	message func(*worker, *message) ingest.Message
	// receipt may change a receipt.
	receipt func(analytics.Receipt) analytics.Receipt
	// trustStored makes collectors forget what the broker says it has stored.
	trustStored bool
	// deadLetter drops what was delivered three times.
	deadLetter bool
	// trimAcked trims up to the newest acknowledged delivery.
	trimAcked bool
	// floorOnly looks only for the last delivery up to which all are
	// acknowledged.
	floorOnly bool
	// markWithoutHash believes a mark of a sequence that the stream has given
	// to another delivery.
	markWithoutHash bool
	// noRewind leaves consumers where they are.
	noRewind bool
	// view may change the ledger that is compared.
	view func(*unitTable, *analytics.Ledger)
}
