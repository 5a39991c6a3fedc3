package analytics

// ChangeKind is what a change is about.
type ChangeKind string

// Kinds of things that are registered.
const (
	ChangeModel     ChangeKind = "model"
	ChangeTerms     ChangeKind = "terms"
	ChangeSite      ChangeKind = "site"
	ChangeUnit      ChangeKind = "unit"
	ChangeCollector ChangeKind = "collector"
)

// FieldChange is a field before and after, as the files write them.
type FieldChange struct {
	Field, Before, After string
}

// Change is what a registration does to one thing.
type Change struct {
	Kind ChangeKind
	Name string
	// New: it was not registered before.
	New bool
	// Fields are those that change; for a new thing all that are set.
	Fields []FieldChange
}

// Plan is what a registration would do, in the order of its files.
type Plan struct {
	// Changes are told in full up to PlanTold; More counts those beyond.
	Changes []Change
	More    int
	// Unchanged counts what is registered already as it is given.
	Unchanged int
	// Counts are those of all things by their kind, in the order of the files.
	Counts []PlanCount
	// Mark stands for the plan and for what it rests on. A registration that
	// is applied with it is refused when something has changed meanwhile.
	Mark string
}

// PlanTold is how many changes a plan tells in full.
const PlanTold = 2000

// PlanCount counts the things of a kind by what happens to them.
type PlanCount struct {
	Kind                    ChangeKind
	New, Changed, Unchanged int
}

// CollectorTaking is which units a collector may deliver.
type CollectorTaking string

// Kinds of taking. A collector that is not set up is vouched for by whoever is
// let in to deliver for it.
const (
	// TakesAny: any unit; for staff who hand in files.
	TakesAny CollectorTaking = "any"
	// TakesBound: units bound to it and those with its serial prefixes.
	TakesBound CollectorTaking = "bound"
	// TakesFirst: as TakesBound; what else it delivers waits in quarantine and
	// asks for approval to be bound.
	TakesFirst CollectorTaking = "first-come"
)

// Takings lists every kind of taking.
var Takings = []CollectorTaking{TakesAny, TakesBound, TakesFirst}

// ReasonForeignUnit: the unit is not bound to the collector that delivered it.
const ReasonForeignUnit = "foreign-unit"

// Collector is a source of telemetry as it is set up and as it was heard of.
type Collector struct {
	Name string
	// Taking is empty where the collector is not set up.
	Taking CollectorTaking
	// Prefixes are those of the serials that it may deliver.
	Prefixes []string
	// Bound counts the units that are bound to it, Asking those that wait for
	// approval.
	Bound, Asking int64
	// ProfileHash is hexadecimal, empty for the plain contract.
	ProfileHash string
	Deliveries  int64
	LastStored  *Instant
	Logins      []CollectorLogin
}

// CollectorLogin lets a collector connect to the broker.
type CollectorLogin struct {
	// User is what it signs in as: the collector's name, or the name with a
	// point and a number, so that an old and a new one can be valid at a time.
	User string
	// PasswordHash is for the broker alone.
	PasswordHash string
	MadeBy       string
	CreatedAt    Instant
}

// Binding is a unit that a collector asks to be bound to, or is.
type Binding struct {
	Serial    Serial
	Collector string
	// FirstAt and LastAt are when it was first and last asked for, Samples how
	// many samples wait.
	FirstAt, LastAt Instant
	Samples         int64
	// Others are the collectors that the unit is bound to.
	Others []string
}
