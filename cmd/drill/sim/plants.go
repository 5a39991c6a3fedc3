package sim

// Plant is a known mistake, put in at a seam of the machine: what runs is
// otherwise the code that serves.
type Plant struct {
	// Name is short, What says what is wrong.
	Name, What string
	put        func(*seams)
}

// Plants are the mistakes that a machine worth its name finds.
func Plants() []Plant {
	var all []Plant
	for _, group := range [][]Plant{wayInPlants(), transactionPlants(), rulePlants(), countingPlants(), readingPlants()} {
		all = append(all, group...)
	}
	return all
}

// flag makes a plant of a seam that is there or not.
func flag(name, what string, put func(*seams)) Plant { return Plant{name, what, put} }

// wayInPlants are mistakes between the collector and the transaction.
func wayInPlants() []Plant {
	return []Plant{
		flag("ack-before-commit", "a delivery is acknowledged before it is counted", func(s *seams) { s.message = ackFirst }),
		flag("trust-stored", "a collector forgets what the broker has stored, without a receipt", func(s *seams) { s.trustStored = true }),
		flag("receipt-before-commit", "a receipt covers what is written and not yet committed", func(s *seams) { s.write = receiptFirst }),
		flag("receipt-of-highest", "a receipt knows only the highest number and no holes", func(s *seams) { s.receipt = highestOnly }),
		flag("dead-letter", "a delivery is dropped after three tries", func(s *seams) { s.deadLetter = true }),
		flag("trim-acknowledged", "the stream is trimmed up to the newest acknowledgement, whatever is missing before it", func(s *seams) { s.trimAcked = true }),
		flag("no-rewind", "a stream or database that lost something is not noticed", func(s *seams) { s.noRewind = true }),
		flag("floor-only", "after a restore only the delivery at the acknowledged floor is looked for", func(s *seams) { s.floorOnly = true }),
		flag("mark-without-hash", "how far was looked is believed of a stream that lost its end since", func(s *seams) { s.markWithoutHash = true }),
		flag("skip-by-watermark", "a delivery below the highest recorded sequence is taken for counted", func(s *seams) { s.tx = wrap(func(t *transaction) *watermarkTx { return &watermarkTx{t} }) }),
		flag("sequence-without-hash", "a delivery is known by its sequence alone", func(s *seams) { s.tx = wrap(func(t *transaction) *sequenceTx { return &sequenceTx{t, true} }) }),
		flag("sequence-without-stream", "a delivery is known by its sequence in whichever stream", func(s *seams) { s.tx = wrap(func(t *transaction) *sequenceTx { return &sequenceTx{t, false} }) }),
		{"worker-remembers-sequences", "a worker skips sequences that it has had, also after the stream lost its end", rememberSequences},
		{"dedupe-in-memory", "a delivery is known only to the worker that counted it", dedupeInMemory},
	}
}

// transactionPlants are mistakes of the one transaction.
func transactionPlants() []Plant {
	return []Plant{
		{"no-lock", "ledgers are not locked: an update is lost", func(s *seams) { s.noLock = true }},
		flag("lock-outside", "the locks are given back before the commit", func(s *seams) { s.lockOutside = true }),
		{"commit-retried-blindly", "after a commit of unknown outcome the same changes are made again", func(s *seams) { s.lax, s.commit = true, retryBlindly }},
		flag("unknown-is-success", "a commit of unknown outcome is taken for done", func(s *seams) { s.commit = unknownIsSuccess }),
		flag("quarantine-outside", "rows go to quarantine outside the transaction", func(s *seams) { s.write = quarantineOutside }),
		flag("samples-outside", "samples and ledgers are committed apart", func(s *seams) { s.write = ledgersLater }),
		{"released-twice", "a row can be released twice", releasedTwice},
		flag("no-receipt-for-duplicates", "a delivery that brings nothing new gets no receipt", func(s *seams) { s.write = noReceiptForDuplicates }),
		flag("totals-outside", "the totals of a collector are added before the commit", func(s *seams) { s.write = totalsOutside }),
	}
}

// rulePlants break the rules of the sample set.
func rulePlants() []Plant {
	return []Plant{
		flag("first-wins", "of two versions in dispute the first one counts", func(s *seams) { s.take = firstWins }),
		flag("last-wins", "of two versions in dispute the last one counts", func(s *seams) { s.tx = wrap(func(t *transaction) *lastWinsTx { return &lastWinsTx{t} }) }),
		flag("late-dropped", "a sample older than the newest one is dropped", func(s *seams) { s.take = lateDropped }),
		{"watermark-poisoned", "a sample from the future makes those after it late", watermarkPoisoned},
		flag("future-by-clock", "what is from the future is judged by the clock, not by when it was stored", func(s *seams) { s.take = futureByClock }),
		flag("refused-dropped", "rows that cannot be read are dropped", func(s *seams) { s.take = refusedDropped }),
		flag("rank-ignored", "the rank of a source is ignored", func(s *seams) { s.take = rankIgnored }),
		flag("lower-rank-counts", "the version of the lowest rank counts", func(s *seams) { s.take = rankInverted }),
		flag("correction-ignored-late", "a correction does not hold for samples that come later", func(s *seams) { s.tx = wrap(func(t *transaction) *noCorrectionsTx { return &noCorrectionsTx{t} }) }),
		flag("duplicates-accepted", "duplicates are told as accepted", func(s *seams) { s.write = duplicatesAccepted }),
		flag("dispute-forgotten", "a version in dispute is not kept", func(s *seams) { s.write = disputeForgotten }),
		flag("hold-at-release", "a released row is judged by the time of its first delivery", func(s *seams) { s.take = releaseByFirst }),
	}
}

// countingPlants are mistakes of the count by days.
func countingPlants() []Plant {
	return []Plant{
		flag("stops-a-day-early", "the recount stops a day early", func(s *seams) { s.write = stopsEarly }),
		flag("carry-of-wrong-day", "a recount goes on from the carry of the day before the right one", func(s *seams) { s.tx = wrap(func(t *transaction) *wrongCarryTx { return &wrongCarryTx{t} }) }),
		flag("carry-lost-at-midnight", "what is carried over midnight is lost", func(s *seams) { s.tx = wrap(func(t *transaction) *noCarryTx { return &noCarryTx{t} }) }),
		flag("local-days", "a day begins at local midnight", func(s *seams) { s.committed = localDays }),
		flag("unordered-fold", "days are joined in no order", func(s *seams) { s.tx = wrap(func(t *transaction) *unorderedTx { return &unorderedTx{t} }) }),
		flag("recovery-counted", "a counter that comes back after a zero is counted", func(s *seams) { s.tx = wrap(func(t *transaction) *plausibleTx { return &plausibleTx{t} }) }),
		flag("reopened-kept", "a day that is open again stays complete", func(s *seams) { s.write = reopenedKept }),
		{"recount-adds", "a recount leaves the events and episodes that were there", func(s *seams) { s.lax, s.write = true, recountAdds }},
		flag("stale-state-kept", "a state of another version is read as if it were of this one", func(s *seams) { s.tx = wrap(func(t *transaction) *staleTx { return &staleTx{t} }) }),
	}
}

// readingPlants are mistakes of whoever reads the ledger.
func readingPlants() []Plant {
	return []Plant{
		flag("float-sum", "energies are summed as floating-point kWh", func(s *seams) { s.view = floatSum }),
		flag("reset-negative", "a counter that went back is counted as negative energy", func(s *seams) { s.view = resetNegative }),
	}
}
