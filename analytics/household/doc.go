// Package household invents believable homes with an LFP battery: sun, weather,
// the household's load, a controller, the battery with its management system,
// its ageing, and the faults that telemetry has in the field, each with the
// truth beside it.
//
// A Battery yields one analytics.Sample at a time at its cadence, for years of
// history and then on in live operation. A Feed cuts the samples of the
// batteries behind one collector into deliveries and does to them what a
// network does: gaps, copies, late batches. A Fleet is a whole invented fleet.
//
// Everything follows from the seeds: the same configuration gives the same
// samples, and a Battery's state is re-created by replaying it. (Floating-point
// contraction may differ between processor architectures, so equality to the
// last digit holds on one architecture.) There is no I/O, no clock and no
// goroutine. A Battery or a Feed is for one goroutine at a time.
//
// All numbers that shape load, cloud, temperature and prices are invented for
// plausibility. They describe no real place, product or household.
package household
