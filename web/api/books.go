package api

import (
	"context"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// SeriesReceiptBody says which numbered deliveries of a series are in the
// ledger for good.
type SeriesReceiptBody struct {
	Collector string     `json:"collector"`
	Series    string     `json:"series"`
	Through   int64      `json:"through" doc:"every number from 1 to this one is committed; 0 for none"`
	Last      int64      `json:"last" doc:"the highest number that is committed"`
	Holes     [][2]int64 `json:"holes" doc:"spans of numbers below last that are not committed, from and to, both included"`
}

// VersionBody is a version of a sample that does not count, with where it came
// from as far as that is known.
type VersionBody struct {
	Sample    SampleBody `json:"sample"`
	Disputed  bool       `json:"disputed" doc:"another version of the same rank differs; otherwise a higher rank or a correction has outdone it"`
	Collector string     `json:"collector,omitempty" doc:"absent for a version that counted before a dispute"`
	Sequence  uint64     `json:"sequence,omitempty" doc:"of the delivery"`
	Line      int32      `json:"line,omitempty"`
	StoredAt  *time.Time `json:"stored_at" doc:"null where the source is not known"`
}

// DisputeBody is an instant at which versions differ and none counts.
type DisputeBody struct {
	At       time.Time     `json:"at"`
	Versions []VersionBody `json:"versions"`
}

// StayBody is where a unit was from an instant on.
type StayBody struct {
	Since    *time.Time `json:"since" doc:"null: since before it was recorded"`
	Stack    string     `json:"stack,omitempty"`
	Site     string     `json:"site,omitempty"`
	Position int        `json:"position,omitempty" doc:"place in the stack, counted from 1"`
}

type receiptInput struct {
	Collector string `path:"collector" pattern:"^[A-Za-z0-9_-]{1,64}$"`
	Series    string `query:"series" required:"true" minLength:"1" maxLength:"64" doc:"as sent in Fadeledger-Series"`
}

type seriesReceiptOutput struct{ Body SeriesReceiptBody }

type disputesInput struct {
	UnitPath
	Limit int `query:"limit" minimum:"1" maximum:"500" default:"50"`
}

type disputesOutput struct {
	Body struct {
		Disputes []DisputeBody `json:"disputes"`
	}
}

type versionsInput struct {
	UnitPath
	From  time.Time `query:"from" required:"true" doc:"first instant of the span"`
	To    time.Time `query:"to" required:"true" doc:"first instant after the span"`
	Limit int       `query:"limit" minimum:"1" maximum:"20000" default:"2000"`
}

type versionsOutput struct {
	Body struct {
		Versions []VersionBody `json:"versions"`
	}
}

type staysOutput struct {
	Body struct {
		Stays []StayBody `json:"stays"`
	}
}

func (a *API) registerBooks() {
	huma.Register(a.huma, needsOrOwn(analytics.RightSeeIngest, read("receipts", "/collectors/{collector}/receipts", "Way in",
		"Which numbered deliveries of a collector are counted for good",
		"A collector that numbers its deliveries 1, 2, 3 and so on within a series, and keeps what has no receipt, loses nothing, whatever becomes of the broker. A series of which nothing is known has an empty receipt.")), a.handleReceipt)
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("disputes", "/units/{unit}/disputes", "Unit", "The instants of a unit in dispute",
		"At each of them two versions of the same rank differ and none counts. The newest first. A correction of that instant settles it.")), a.handleDisputes)
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("versions", "/units/{unit}/versions", "Unit", "The versions of a unit's samples that do not count",
		"In dispute or superseded, in order of time, half open: from is included, to is not.")), a.handleVersions)
	huma.Register(a.huma, needs(analytics.RightSeeUnits, read("stays", "/units/{unit}/stays", "Unit", "Where a unit was, the newest place first",
		"A unit that moves keeps its ledger. A unit that replaces another one is another unit.")), a.handleStays)
}

func (a *API) handleReceipt(ctx context.Context, in *receiptInput) (*seriesReceiptOutput, error) {
	if !a.mayAsk(ctx, in.Collector) {
		return nil, errOtherCollector(ctx)
	}
	r, err := a.cfg.Ledger.Receipt(ctx, in.Collector, in.Series)
	if err != nil {
		return nil, a.problem("read the receipt", err)
	}
	return &seriesReceiptOutput{Body: seriesReceiptBody(r)}, nil
}

func seriesReceiptBody(r analytics.Receipt) SeriesReceiptBody {
	b := SeriesReceiptBody{Collector: r.Collector, Series: r.Series, Through: r.Through, Last: r.Last, Holes: r.Holes}
	if b.Holes == nil {
		b.Holes = [][2]int64{}
	}
	return b
}

func (a *API) handleDisputes(ctx context.Context, in *disputesInput) (*disputesOutput, error) {
	list, err := a.cfg.Ledger.Disputes(ctx, analytics.Serial(in.Unit), in.Limit)
	if err != nil {
		return nil, a.problem("list disputes", err)
	}
	out := &disputesOutput{}
	out.Body.Disputes = make([]DisputeBody, 0, len(list))
	for _, d := range list {
		out.Body.Disputes = append(out.Body.Disputes, DisputeBody{At: d.At.Time(), Versions: versionBodies(d.Versions)})
	}
	return out, nil
}

func (a *API) handleVersions(ctx context.Context, in *versionsInput) (*versionsOutput, error) {
	list, err := a.cfg.Ledger.Versions(ctx, analytics.Serial(in.Unit), analytics.InstantOf(in.From), analytics.InstantOf(in.To), in.Limit)
	if err != nil {
		return nil, a.problem("list versions", err)
	}
	out := &versionsOutput{}
	out.Body.Versions = versionBodies(list)
	return out, nil
}

func versionBodies(list []analytics.Version) []VersionBody {
	out := make([]VersionBody, 0, len(list))
	for _, v := range list {
		b := VersionBody{Sample: sampleBody(v.Sample), Disputed: v.Disputed, Collector: v.Collector, Sequence: v.Sequence, Line: v.Line}
		if v.StoredAt != 0 {
			b.StoredAt = instant(&v.StoredAt)
		}
		out = append(out, b)
	}
	return out
}

func (a *API) handleStays(ctx context.Context, in *UnitPath) (*staysOutput, error) {
	serial := analytics.Serial(in.Unit)
	// Without places the list is empty for a known and an unknown unit alike.
	if _, err := a.cfg.Ledger.Unit(ctx, serial); err != nil {
		return nil, a.problem("read the unit", err)
	}
	list, err := a.cfg.Ledger.Stays(ctx, serial)
	if err != nil {
		return nil, a.problem("list stays", err)
	}
	out := &staysOutput{}
	out.Body.Stays = make([]StayBody, 0, len(list))
	for _, s := range list {
		b := StayBody{Stack: s.Stack, Site: s.Site, Position: s.Position}
		if s.Since != 0 {
			b.Since = instant(&s.Since)
		}
		out.Body.Stays = append(out.Body.Stays, b)
	}
	return out, nil
}
