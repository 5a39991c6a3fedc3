package sim

// Plant is a known mistake.
type Plant struct {
	// Name is short, What says what is wrong.
	Name, What string
	put        func(*seams)
}
