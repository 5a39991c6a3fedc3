package api

import (
	"context"
	"fmt"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// DeliveryBody is one message that was stored and counted.
type DeliveryBody struct {
	Stream    string                  `json:"stream"`
	Sequence  uint64                  `json:"sequence"`
	Collector string                  `json:"collector"`
	Batch     string                  `json:"batch,omitempty"`
	StoredAt  time.Time               `json:"stored_at"`
	CountedAt time.Time               `json:"counted_at"`
	Rows      analytics.DeliveryTally `json:"rows" doc:"read = accepted + duplicates + disputed + superseded + quarantined"`
}

// CollectorBody sums the deliveries of a collector.
type CollectorBody struct {
	Collector    string                  `json:"collector"`
	Deliveries   int64                   `json:"deliveries"`
	Rows         analytics.DeliveryTally `json:"rows"`
	LastStoredAt time.Time               `json:"last_stored_at"`
}

// StreamBody is the broker's side.
type StreamBody struct {
	Name         string     `json:"name"`
	Messages     uint64     `json:"messages"`
	Bytes        uint64     `json:"bytes"`
	Pending      uint64     `json:"pending" doc:"stored but not yet taken by a worker"`
	Unacked      uint64     `json:"unacked" doc:"taken but not yet acknowledged"`
	LastSequence uint64     `json:"last_sequence"`
	LastStoredAt *time.Time `json:"last_stored_at"`
}

// IngestBody is the state of the way in.
type IngestBody struct {
	AsOf       time.Time               `json:"as_of"`
	Deliveries int64                   `json:"deliveries"`
	Rows       analytics.DeliveryTally `json:"rows"`
	Balanced   bool                    `json:"balanced" doc:"whether every row read is accounted for"`
	Quarantine map[string]int64        `json:"quarantine" doc:"open rows by reason"`
	Collectors []CollectorBody         `json:"collectors"`
	Notes      []NoteBody              `json:"notes" doc:"what was accepted and is still worth a look, newest first"`
	Recounts   int64                   `json:"recounts"`
	// Holes, OpenAlarms and Books say what may be wrong.
	Holes      []SeriesReceiptBody `json:"holes" doc:"receipts of series in which numbers are missing"`
	OpenAlarms int                 `json:"open_alarms" doc:"see /alarms"`
	Books      BooksBody           `json:"books"`
	Stream     *StreamBody         `json:"stream" doc:"null when the broker cannot be asked"`
}

// BooksBody is the account of all rows and versions at one moment.
type BooksBody struct {
	AsOf        *time.Time `json:"as_of" doc:"null while they were never added up"`
	Rows        int64      `json:"rows" doc:"rows in all deliveries"`
	Taken       int64      `json:"taken" doc:"distinct versions of samples among them"`
	Known       int64      `json:"known" doc:"versions that the units know; equal to taken"`
	Counting    int64      `json:"counting" doc:"samples that count, those of corrections too"`
	Others      int64      `json:"others" doc:"versions that do not count"`
	Differences []string   `json:"differences" doc:"what does not add up, in words"`
}

// NoteBody is something about a collector's deliveries that was accepted and is
// still worth telling.
type NoteBody struct {
	Collector  string    `json:"collector"`
	Code       string    `json:"code"`
	Text       string    `json:"text"`
	Deliveries int64     `json:"deliveries"`
	FirstAt    time.Time `json:"first_at"`
	LastAt     time.Time `json:"last_at"`
}

// QuarantinedBody is a row that could not be counted.
type QuarantinedBody struct {
	ID        int64     `json:"id" doc:"negative for a version in dispute, which cannot be released"`
	Rows      int64     `json:"rows" doc:"rows that the entry stands for"`
	Collector string    `json:"collector"`
	Sequence  uint64    `json:"sequence"`
	Batch     string    `json:"batch,omitempty"`
	Line      int       `json:"line" doc:"counted from 1; 0 for the delivery as a whole"`
	Field     string    `json:"field,omitempty"`
	Reason    string    `json:"reason"`
	Message   string    `json:"message"`
	Remedy    string    `json:"remedy"`
	Unit      string    `json:"unit,omitempty"`
	Raw       []byte    `json:"raw" doc:"the bytes of the row or the first part of them, base64"`
	StoredAt  time.Time `json:"stored_at"`
}

type ingestOutput struct{ Body IngestBody }

type deliveriesInput struct {
	Before uint64 `query:"before" doc:"only sequences below; from the newest on unless given"`
	Limit  int    `query:"limit" minimum:"1" maximum:"500" default:"50"`
}

type deliveriesOutput struct {
	Body struct {
		Deliveries []DeliveryBody `json:"deliveries"`
		Next       uint64         `json:"next,omitempty" doc:"give it back as before for the next page; absent on the last"`
	}
}

type deliveryInput struct {
	Sequence uint64 `path:"sequence" minimum:"1"`
}

type deliveryOutput struct{ Body DeliveryBody }

type quarantineInput struct {
	Reason string `query:"reason" maxLength:"64" doc:"a reason code; all unless given"`
	After  int64  `query:"after" doc:"cursor of the page before"`
	Limit  int    `query:"limit" minimum:"1" maximum:"500" default:"50"`
}

type quarantineOutput struct {
	Body struct {
		Rows []QuarantinedBody `json:"rows"`
		Next int64             `json:"next,omitempty" doc:"give it back as after for the next page; absent on the last"`
	}
}

func (a *API) registerIngest() {
	huma.Register(a.huma, needs(analytics.RightSeeIngest, read("ingest", "/ingest", "Way in", "The state of the way in", "")), a.handleIngest)
	huma.Register(a.huma, needs(analytics.RightSeeIngest, read("deliveries", "/deliveries", "Way in", "Deliveries that were counted, newest first", "")), a.handleDeliveries)
	huma.Register(a.huma, needsOrOwn(analytics.RightSeeIngest, read("delivery", "/deliveries/{sequence}", "Way in", "What became of one delivery",
		"Answers 404 until the delivery is counted.")), a.handleDelivery)
	huma.Register(a.huma, needs(analytics.RightSeeIngest, read("quarantine", "/quarantine", "Way in", "Rows that could not be counted, newest first", "")), a.handleQuarantine)
}

func (a *API) handleIngest(ctx context.Context, _ *struct{}) (*ingestOutput, error) {
	s, err := a.cfg.Ledger.Ingest(ctx)
	if err != nil {
		return nil, a.problem("sum up the way in", err)
	}
	b := IngestBody{
		AsOf: s.AsOf.Time(), Deliveries: s.Deliveries, Rows: s.Tally, Balanced: s.Tally.Balanced(), Recounts: s.Recounts,
		Quarantine: make(map[string]int64, len(s.Quarantine)), Collectors: make([]CollectorBody, 0, len(s.Collectors)),
	}
	b.Notes = make([]NoteBody, len(s.Notes))
	for i, n := range s.Notes {
		b.Notes[i] = NoteBody{n.Collector, n.Code, n.Text, n.Deliveries, n.FirstAt.Time(), n.LastAt.Time()}
	}
	for _, q := range s.Quarantine {
		b.Quarantine[q.Reason] = q.Rows
	}
	for _, c := range s.Collectors {
		b.Collectors = append(b.Collectors, CollectorBody{
			Collector: c.Collector, Deliveries: c.Deliveries, Rows: c.Tally, LastStoredAt: c.LastStoredAt.Time(),
		})
	}
	b.Holes = make([]SeriesReceiptBody, 0, len(s.Holes))
	for _, r := range s.Holes {
		b.Holes = append(b.Holes, seriesReceiptBody(r))
	}
	for _, x := range s.Alarms {
		if x.ClearedAt == nil {
			b.OpenAlarms++
		}
	}
	b.Books = booksBody(s.Balance)
	b.Stream = a.stream(ctx)
	return &ingestOutput{Body: b}, nil
}

func booksBody(x analytics.Balance) BooksBody {
	b := BooksBody{Rows: x.Rows, Taken: x.Taken, Known: x.Known, Counting: x.Counting, Others: x.Others, Differences: x.Differences}
	if x.AsOf != 0 {
		b.AsOf = instant(&x.AsOf)
	}
	if b.Differences == nil {
		b.Differences = []string{}
	}
	return b
}

// stream asks the broker; nil when it cannot be asked, since the rest of the
// answer is worth having without it.
func (a *API) stream(ctx context.Context) *StreamBody {
	if a.cfg.Broker == nil {
		return nil
	}
	st, err := a.cfg.Broker.Stream(ctx)
	if err != nil {
		a.cfg.Logger.Warn("ask the broker", "err", err)
		return nil
	}
	return &StreamBody{
		Name: st.Name, Messages: st.Messages, Bytes: st.Bytes, Pending: st.Pending, Unacked: st.Unacked,
		LastSequence: st.LastSequence, LastStoredAt: instant(st.LastStoredAt),
	}
}

func deliveryBody(d analytics.Delivery) DeliveryBody {
	return DeliveryBody{
		Stream: d.Stream, Sequence: d.Sequence, Collector: d.Collector, Batch: d.Batch,
		StoredAt: d.StoredAt.Time(), CountedAt: d.CountedAt.Time(), Rows: d.Tally,
	}
}

func (a *API) handleDeliveries(ctx context.Context, in *deliveriesInput) (*deliveriesOutput, error) {
	rows, err := a.cfg.Ledger.Deliveries(ctx, in.Before, in.Limit)
	if err != nil {
		return nil, a.problem("list deliveries", err)
	}
	out := &deliveriesOutput{}
	out.Body.Deliveries = make([]DeliveryBody, 0, len(rows))
	for _, d := range rows {
		out.Body.Deliveries = append(out.Body.Deliveries, deliveryBody(d))
	}
	if len(rows) == in.Limit {
		out.Body.Next = rows[len(rows)-1].Sequence
	}
	return out, nil
}

func (a *API) handleDelivery(ctx context.Context, in *deliveryInput) (*deliveryOutput, error) {
	rows, err := a.cfg.Ledger.Deliveries(ctx, in.Sequence+1, 1)
	if err != nil {
		return nil, a.problem("read the delivery", err)
	}
	if len(rows) == 0 || rows[0].Sequence != in.Sequence || !a.mayAsk(ctx, rows[0].Collector) {
		return nil, huma.Error404NotFound(fmt.Sprintf("delivery %d is not counted (yet); ask again in a few seconds", in.Sequence))
	}
	return &deliveryOutput{Body: deliveryBody(rows[0])}, nil
}

func (a *API) handleQuarantine(ctx context.Context, in *quarantineInput) (*quarantineOutput, error) {
	rows, err := a.cfg.Ledger.Quarantine(ctx, in.Reason, in.After, in.Limit)
	if err != nil {
		return nil, a.problem("list quarantined rows", err)
	}
	out := &quarantineOutput{}
	out.Body.Rows = make([]QuarantinedBody, 0, len(rows))
	for _, q := range rows {
		out.Body.Rows = append(out.Body.Rows, QuarantinedBody{
			ID: q.ID, Rows: max(q.Rows, 1), Collector: q.Collector, Sequence: q.Sequence, Batch: q.Batch, Line: q.Line, Field: q.Field,
			Reason: q.Reason, Message: q.Message, Remedy: q.Remedy, Unit: string(q.Serial), Raw: q.Raw, StoredAt: q.StoredAt.Time(),
		})
	}
	if len(rows) == in.Limit {
		out.Body.Next = rows[len(rows)-1].ID
	}
	return out, nil
}
