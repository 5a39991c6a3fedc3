package api

import (
	"context"
	"net/http"
	"slices"

	"github.com/danielgtaylor/huma/v2"

	"fadeledger/analytics"
)

// An operation keeps what it asks for in its metadata: a right under rightKey,
// and under ownKey whether a token that delivers for a collector may ask about
// that collector, too.
const (
	rightKey = "right"
	ownKey   = "own-collector"
)

// needs declares the right that an operation asks for. One that declares none
// is refused to everybody.
func needs(right analytics.Right, op huma.Operation) huma.Operation {
	op.Metadata = map[string]any{rightKey: right}
	return op
}

// needsOrOwn is needs, but lets a token that delivers for one collector through
// as well; the handler holds it to that collector by mayAsk.
func needsOrOwn(right analytics.Right, op huma.Operation) huma.Operation {
	op.Metadata = map[string]any{rightKey: right, ownKey: true}
	return op
}

// needsSomebody declares that it is enough to be known.
func needsSomebody(op huma.Operation) huma.Operation { return needs("", op) }

// RightOf gives the right that an operation asks for, empty where it is enough
// to be known; declared is false where it says nothing.
func RightOf(op *huma.Operation) (right analytics.Right, declared bool) {
	right, declared = op.Metadata[rightKey].(analytics.Right)
	return right, declared
}

// Undeclared lists the operations that declare no right, as method and path.
func (a *API) Undeclared() []string {
	var list []string
	for path, item := range a.Document().Paths {
		for _, op := range []*huma.Operation{item.Get, item.Put, item.Post, item.Delete, item.Patch, item.Head, item.Options, item.Trace} {
			if op == nil {
				continue
			}
			if _, declared := RightOf(op); !declared {
				list = append(list, op.Method+" "+path)
			}
		}
	}
	slices.Sort(list)
	return list
}

// allows reports whether a principal has a right.
func (a *API) allows(p analytics.Principal, right analytics.Right) bool {
	if a.cfg.Allows != nil {
		return a.cfg.Allows(p, right)
	}
	return p.May(right)
}

// guard lets an operation be used by whoever has its right.
func (a *API) guard(ctx huma.Context, next func(huma.Context)) {
	p := analytics.PrincipalOf(ctx.Context())
	op := ctx.Operation()
	right, declared := RightOf(op)
	switch {
	case p.Nobody():
		ctx.SetHeader("WWW-Authenticate", `Bearer realm="fadeledger"`)
		a.refuse(ctx, http.StatusUnauthorized, "say who asks: send a token as Authorization: Bearer …, or sign in with a browser")
	case !declared:
		a.refuse(ctx, http.StatusForbidden, "nobody may use this operation")
	case right != "" && !a.allows(p, right) && !(op.Metadata[ownKey] == true && a.delivers(p)):
		a.refuse(ctx, http.StatusForbidden, "this needs the right "+string(right))
	default:
		next(ctx)
	}
}

func (a *API) refuse(ctx huma.Context, status int, detail string) {
	if err := huma.WriteErr(a.huma, ctx, status, detail); err != nil {
		a.cfg.Logger.Debug("write problem", "err", err)
	}
}

// delivers reports whether a principal is a token that delivers for one
// collector.
func (a *API) delivers(p analytics.Principal) bool {
	return p.Kind == analytics.KindToken && p.Collector != "" && a.allows(p, analytics.RightDeliver)
}

// mayAsk reports whether whoever asks may know of the deliveries of a
// collector.
func (a *API) mayAsk(ctx context.Context, collector string) bool {
	p := analytics.PrincipalOf(ctx)
	return a.allows(p, analytics.RightSeeIngest) || a.delivers(p) && p.Collector == collector
}

// errOtherCollector refuses a token what is another collector's.
func errOtherCollector(ctx context.Context) error {
	return huma.Error403Forbidden("this token is for collector " + analytics.PrincipalOf(ctx).Collector + " alone")
}

// madeBy gives who does something, as it is kept. A name that the request
// itself states has to be that one.
func madeBy(ctx context.Context, stated string) (string, error) {
	name := analytics.PrincipalOf(ctx).Name
	if stated != "" && stated != name {
		return "", huma.Error422UnprocessableEntity("by: you are " + name + "; leave by out")
	}
	return name, nil
}
