// Package claim judges warranty claims: whether a unit is under warranty, by
// which rule, on what evidence, and what is still missing. It recommends; a
// person decides.
//
// Evidence is frozen when a claim is opened and holds everything that matters.
// Evaluate is a pure function of it: no clock, no I/O, no zone of the machine,
// and no floats, so that the same evidence gives the same bytes years later, on
// any processor. Both are written by Canonical (RFC 8785) and named by Hash.
//
// # Rules
//
// Every rule has one of three outcomes: met, not met, cannot tell. A rule about
// which the terms say nothing is met and not Set.
//
//	terms              the unit's edition is known, is for its model, and was on sale
//	start              the first day is known: commissioned, or shipped + longest delay
//	registration       registered within the days allowed; the last day is in time
//	in-term            the site's day is before the anniversary that ends the term
//	cycle-life         spent by depth of discharge at most 1; exactly 1 is covered
//	efc                equivalent full cycles at most the cap
//	energy             discharged energy at most the cap
//	retained-capacity  a valid capacity test against the promised curve, with a guard band
//	cold-charge        energy charged below the cold limit at most the allowance
//	telemetry-gap      no time without telemetry longer than allowed
//	limits             other excursions; for information
//	records            disputes and quarantine; the ledger agrees with its own counts
//	remedy             the share of the price in the warranty year; for information
//
// # Recommendation
//
// Each outcome has an effect (Table gives the same as data); the strongest is
// the recommendation: out of term, decline, needs evidence, honour.
//
//	rule               met   not met         cannot tell
//	terms              –     needs evidence  needs evidence
//	start              –     –               needs evidence
//	registration       –     decline         needs evidence
//	in-term            –     out of term     needs evidence
//	cycle-life         –     decline         needs evidence
//	efc                –     decline         needs evidence
//	energy             –     decline         needs evidence
//	retained-capacity  –     –               –               ground: defect
//	retained-capacity  decl. –               needs evidence  ground: capacity
//	cold-charge        –     decline         needs evidence
//	telemetry-gap      –     decline         needs evidence
//	limits             –     –               –
//	records            –     needs evidence  –
//	remedy             –     –               –
//
// A claim for lost capacity (GroundCapacity) is founded by a promise that is
// clearly broken, so there "met" declines it. Open disputes have no effect of
// their own: where they could change a rule on use, that rule cannot tell.
//
// # Thin evidence
//
// What was counted is exact for the time that was seen. Coverage is covered time
// over the time from the first day of the warranty, 00:00 UTC (or the first
// sample where that is earlier or no first day is known), to the moment asked
// for; lifetime counters that bridge a gap cover it for energy. From
// EnoughCoverage on, the count stands for the whole. Below it, it is a lower
// bound:
//   - above the limit: not met
//   - within it even if the unit had run at its highest power in all the time
//     not seen: met
//   - else: cannot tell
//
// Around each unsettled sample (in dispute, in quarantine, a jump of a counter)
// the count may be off by the highest power over twice the model's gap, either
// way; a limit inside that range cannot be told.
//
// # Where terms are silent
//
//   - An anniversary of 29 February in a common year is 1 March, in the
//     customer's favour: cover then lasts to the end of 28 February.
//   - Without a day commissioned the warranty begins on the day shipped plus the
//     longest delay; where the terms name no delay the start is not known.
//   - Registration counts from the later of the first day and the day
//     commissioned.
//   - Before the first day of the warranty a unit is in its first year.
//   - The promised capacity is linear between the points in years of the
//     calendar, and constant before the first and after the last. Capacity is
//     discharged energy over rated energy between the procedure's limits.
//   - The time after the last sample may be the failure: longer than the longest
//     gap it leaves the gap rule open, and never breaks it.
//   - A year for which the terms name no remedy has none that is known.
package claim
