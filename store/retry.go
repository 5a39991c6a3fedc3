package store

import (
	"fmt"
	"slices"

	"fadeledger/analytics"
)

// noPartition is the error of a row that no partition holds.
const noPartition = "23514"

// retryable reports whether the same transaction may succeed at once: another
// worker recorded the delivery first, a deadlock was broken, or a partition is
// to be made again.
func retryable(err error) bool {
	return slices.Contains([]string{uniqueViolation, deadlockDetected, undefinedTable, noPartition}, sqlState(err))
}

// uncountable marks an error that will be the same whenever it is tried: the
// database took the statement and refused the data. What concerns connections,
// resources, locks and an operator's doing passes.
func uncountable(err error) error {
	state := sqlState(err)
	if len(state) < 2 || retryable(err) {
		return err
	}
	switch state[:2] {
	case "22", "23", "54": // data, integrity, a limit of the program
		return fmt.Errorf("%w: %w", analytics.ErrInvalid, err)
	}
	return err
}
