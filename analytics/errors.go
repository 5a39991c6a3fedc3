package analytics

import "errors"

// Errors that other packages wrap and readers match with errors.Is.
var (
	// ErrNotFound: there is no such unit, site, model or row.
	ErrNotFound = errors.New("not found")
	// ErrInvalid: what was given cannot be taken as it is.
	ErrInvalid = errors.New("invalid")
	// ErrStillHeld: a row that was to be released would only be held again.
	ErrStillHeld = errors.New("still held")
	// ErrConflict: it contradicts what is already kept.
	ErrConflict = errors.New("in conflict with what is kept")
)
