package web

import "fadeledger/analytics"

// flagTitle names a flag for a list.
func flagTitle(k analytics.FlagKind) string {
	switch k {
	case analytics.FlagAhead:
		return "ahead of warranty"
	case analytics.FlagCold:
		return "charged cold"
	case analytics.FlagSilent:
		return "silent"
	case analytics.FlagThin:
		return "thin data"
	}
	return string(k)
}

// flagMeaning explains a flag in half a sentence.
func flagMeaning(k analytics.FlagKind) string {
	switch k {
	case analytics.FlagAhead:
		return "warranted life is used faster than the term runs"
	case analytics.FlagCold:
		return "charged below the cold limit of the model"
	case analytics.FlagSilent:
		return "no telemetry lately"
	case analytics.FlagThin:
		return "too little of the time is covered to tell"
	}
	return ""
}

// kindName is a kind of excursion in a few words.
func kindName(k analytics.ExcursionKind) string {
	switch k {
	case analytics.ColdCharge:
		return "cold charge"
	case analytics.ColdDischarge:
		return "cold discharge"
	case analytics.HotCharge:
		return "hot charge"
	case analytics.HotDischarge:
		return "hot discharge"
	case analytics.ChargeRate:
		return "charge too fast"
	case analytics.DischargeRate:
		return "discharge too fast"
	case analytics.DeepDischarge:
		return "deep discharge"
	case analytics.HotRest:
		return "too hot at rest"
	}
	return k.String()
}

// kindMeaning explains a kind of excursion.
func kindMeaning(k analytics.ExcursionKind) string {
	switch k {
	case analytics.ColdCharge:
		return "charged faster than the model allows at that low cell temperature"
	case analytics.ColdDischarge:
		return "discharged faster than the model allows at that low cell temperature"
	case analytics.HotCharge:
		return "charged faster than the model allows at that high cell temperature"
	case analytics.HotDischarge:
		return "discharged faster than the model allows at that high cell temperature"
	case analytics.ChargeRate:
		return "charged faster than the model ever allows"
	case analytics.DischargeRate:
		return "discharged faster than the model ever allows"
	case analytics.DeepDischarge:
		return "state of charge below the floor of the model"
	case analytics.HotRest:
		return "cells hotter than the model's storage limit"
	}
	return ""
}

// kindInk groups kinds by what they have to do with, for the style sheet.
func kindInk(k analytics.ExcursionKind) string {
	switch k {
	case analytics.ColdCharge, analytics.ColdDischarge:
		return "cold"
	case analytics.HotCharge, analytics.HotDischarge, analytics.HotRest:
		return "hot"
	case analytics.DeepDischarge:
		return "deep"
	}
	return "rate"
}

// endingWords says how an episode ended.
func endingWords(e analytics.Excursion) string {
	state := ""
	switch kindInk(e.Kind) {
	case "cold":
		state = " while still cold"
	case "hot":
		state = " while still hot"
	}
	switch e.Ending {
	case analytics.EndOpen:
		return "still open: no later sample has come"
	case analytics.EndWithinLimit:
		return "went on within the limit" + state + " (curtailed, or short of power)"
	case analytics.EndStopped:
		return "stopped or changed direction"
	case analytics.EndLeft:
		return leftWords(e.Kind)
	}
	return "not known: a gap followed, or samples without a rate"
}

// leftWords says how the limit ceased to bind.
func leftWords(k analytics.ExcursionKind) string {
	switch kindInk(k) {
	case "cold":
		return "cells warmed up to where the limit no longer binds"
	case "hot":
		return "cells cooled down to where the limit no longer binds"
	case "deep":
		return "state of charge came back above the floor"
	}
	return "temperature left the range of this limit"
}

// basisWords says what an energy was taken from.
func basisWords(b analytics.Basis) string {
	switch b {
	case analytics.ByCounter:
		return "lifetime counters"
	case analytics.ByPower:
		return "power over time"
	}
	return "state of charge"
}

// measureWords names a measure of the terms.
func measureWords(m analytics.Measure) string {
	switch m {
	case analytics.MeasureCycleLife:
		return "cycle life by depth"
	case analytics.MeasureEFC:
		return "equivalent full cycles"
	case analytics.MeasureEnergy:
		return "energy discharged"
	}
	return string(m)
}

// placementWords says where on a site a unit stands.
func placementWords(p analytics.Placement) string {
	switch p {
	case analytics.DwellingStorage:
		return "storage room of the dwelling"
	case analytics.Garage:
		return "garage"
	case analytics.ExteriorWall:
		return "outside wall"
	case analytics.Outdoor:
		return "outdoors"
	}
	return string(p)
}
