package api

import (
	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// LedgerBody is analytics.Ledger as it is: the fields keep their own way of
// writing themselves, and Schema describes what they write.
type LedgerBody analytics.Ledger

// Schema describes the ledger. It is written by hand because several fields
// write themselves as something else than their Go type.
func (LedgerBody) Schema(huma.Registry) *huma.Schema {
	return &huma.Schema{
		Type:        huma.TypeObject,
		Description: "The account of one unit. All of it follows from the samples, the model and the terms; nothing depends on the clock.",
		Properties: map[string]*huma.Schema{
			"unit":            text("serial number"),
			"model":           text("model of the unit"),
			"terms":           text("terms it was sold with"),
			"samples":         whole("instants that count"),
			"duplicates":      whole("deliveries equal to one already known"),
			"conflicts":       whole("instants in dispute"),
			"superseded":      whole("versions that a source of higher rank outdid"),
			"first":           orNull(number("first instant that counts, epoch seconds")),
			"last":            orNull(number("last instant that counts, epoch seconds")),
			"half_cycles":     counts("half cycles by depth bin of 0.5 %: the key is the bin"),
			"spent":           orNull(number("share of the governing measure that is used; null without terms")),
			"governing":       oneOf("the measure with the largest spent", "cycle-life", "efc", "energy"),
			"measures":        orNull(list("all measures of the terms", measure())),
			"charge_mwh":      whole("energy into the battery, milliwatt-hours"),
			"discharge_mwh":   whole("energy out of the battery, milliwatt-hours"),
			"energy_by_basis": byBasis(),
			"efc":             number("equivalent full cycles"),
			"covered_s":       number("time between samples no further apart than the model's gap, seconds"),
			"elapsed_s":       number("time from the first to the last sample, seconds"),
			"checked_s":       number("covered time in which limits could be checked, seconds"),
			"events":          orNull(list("what the counters met: [kind, epoch seconds, field]", event())),
			"excursions":      orNull(list("episodes over a limit", excursion())),
		},
		Required: []string{
			"model", "samples", "duplicates", "conflicts", "superseded", "first", "last", "half_cycles", "spent",
			"charge_mwh", "discharge_mwh", "energy_by_basis", "efc", "covered_s", "elapsed_s", "checked_s", "events", "excursions",
		},
	}
}

func measure() *huma.Schema {
	return &huma.Schema{Type: huma.TypeObject, Required: []string{"measure", "spent", "used", "limit"}, Properties: map[string]*huma.Schema{
		"measure":     oneOf("what is limited", "cycle-life", "efc", "energy"),
		"spent":       number("used over limit"),
		"used":        number("in the measure's own unit: share of 1, equivalent full cycles, or kWh discharged"),
		"limit":       number("in the measure's own unit"),
		"pace":        number("absent where it is not known: it depends on the clock"),
		"ends_on_day": whole("days since 1970-01-01; absent where it is not known"),
	}}
}

func byBasis() *huma.Schema {
	s := &huma.Schema{Type: huma.TypeObject, Description: "[charge, discharge] in milliwatt-hours by what they were taken from",
		Properties: map[string]*huma.Schema{}}
	for b := range analytics.Bases {
		name := analytics.Basis(b).String()
		pair := list("[charge, discharge], mWh", whole(""))
		two := 2
		pair.MinItems, pair.MaxItems = &two, &two
		s.Properties[name] = pair
		s.Required = append(s.Required, name)
	}
	return s
}

func event() *huma.Schema {
	three := 3
	return &huma.Schema{Type: huma.TypeArray, MinItems: &three, MaxItems: &three,
		Items: &huma.Schema{OneOf: []*huma.Schema{text("kind or field"), number("epoch seconds")}}}
}

func excursion() *huma.Schema {
	kinds := make([]any, analytics.ExcursionKinds)
	for k := range kinds {
		kinds[k] = analytics.ExcursionKind(k).String()
	}
	return &huma.Schema{
		Type: huma.TypeObject,
		Properties: map[string]*huma.Schema{
			"kind":           oneOf("which limit was left", kinds...),
			"start":          number("first sample over the limit, epoch seconds"),
			"end":            number("last sample over the limit, epoch seconds"),
			"n":              whole("samples over the limit"),
			"min_temp_c":     orNull(number("lowest cell temperature inside, °C")),
			"max_temp_c":     orNull(number("highest cell temperature inside, °C")),
			"charge_mwh":     whole("energy charged inside, milliwatt-hours"),
			"discharge_mwh":  whole("energy discharged inside, milliwatt-hours"),
			"peak_c_rate":    number("highest rate over the limit, C; absent where the kind has no rate"),
			"allowed_c_rate": number("what was allowed at the peak, C"),
			"ending":         oneOf("how it ended", "open", "within-limit", "stopped", "left", "unseen"),
		},
		Required: []string{"kind", "start", "end", "n", "min_temp_c", "max_temp_c", "charge_mwh", "discharge_mwh", "ending"},
	}
}

func text(doc string) *huma.Schema   { return &huma.Schema{Type: huma.TypeString, Description: doc} }
func number(doc string) *huma.Schema { return &huma.Schema{Type: huma.TypeNumber, Description: doc} }
func whole(doc string) *huma.Schema {
	return &huma.Schema{Type: huma.TypeInteger, Format: "int64", Description: doc}
}

func oneOf(doc string, values ...any) *huma.Schema {
	return &huma.Schema{Type: huma.TypeString, Description: doc, Enum: values}
}

func list(doc string, of *huma.Schema) *huma.Schema {
	return &huma.Schema{Type: huma.TypeArray, Description: doc, Items: of}
}

func counts(doc string) *huma.Schema {
	return &huma.Schema{Type: huma.TypeObject, Description: doc, AdditionalProperties: whole("half cycles")}
}

func orNull(s *huma.Schema) *huma.Schema {
	s.Nullable = true
	return s
}
