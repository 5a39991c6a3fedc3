package store_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fadeledger/analytics"
	"fadeledger/store"
)

// What a method of the DB gives north's installer.
type answer string

const (
	own     answer = "its own"     // and nothing else
	none    answer = "nothing"     // of another's, without an error
	missing answer = "ErrNotFound" // as if it was not there
	refused answer = "a refusal"
	failed  answer = "any error" // and nothing is changed
)

// call is a method with its arguments behind the context.
type call struct {
	args []any
	want answer
	// door: signing in or handing in needs it, so that nobody gets it too.
	door bool
}

func calls(list ...call) []call { return list }

func with(args ...any) []any { return args }

const ever = analytics.Instant(1) << 60

// boundary says of every method of the DB what an installer gets of it: whoever
// adds a method says it here.
var boundary = map[string][]call{
	"Units": calls(
		call{args: with(analytics.UnitFilter{}), want: own},
		call{args: with(analytics.UnitFilter{Serial: "KL-"}), want: own},
		call{args: with(analytics.UnitFilter{Serial: "KL-S"}), want: none},
		call{args: with(analytics.UnitFilter{Serial: "KL-S1"}), want: none},
		call{args: with(analytics.UnitFilter{Serial: "%S%"}), want: none},
		call{args: with(analytics.UnitFilter{Site: "site-S1"}), want: none},
		call{args: with(analytics.UnitFilter{Site: "site-N1"}), want: own},
		call{args: with(analytics.UnitFilter{Model: "HB-5"}), want: own},
		call{args: with(analytics.UnitFilter{Flag: analytics.FlagCold}), want: own},
		call{args: with(analytics.UnitFilter{Sort: analytics.SortSerial, Ascending: true}), want: own}),
	"Fleet": calls(call{args: with(), want: none}), // checkFleetSumsOwnUnits
	"Unit": calls(
		call{args: with("KL-N1"), want: own}, call{args: with("KL-M1"), want: own},
		call{args: with("KL-S1"), want: missing}, call{args: with("KL-X1"), want: missing}, call{args: with("KL-Y1"), want: missing}),
	"Days":           calls(call{args: with("KL-N1", -1<<30, 1<<30), want: none}, call{args: with("KL-S1", -1<<30, 1<<30), want: missing}),
	"Samples":        calls(call{args: with("KL-N1", -ever, ever, nil), want: none}, call{args: with("KL-S1", -ever, ever, nil), want: missing}),
	"Corrections":    calls(call{args: with("KL-N1"), want: own}, call{args: with("KL-S1"), want: missing}),
	"Versions":       calls(call{args: with("KL-N1", -ever, ever, 100), want: own}, call{args: with("KL-S1", -ever, ever, 100), want: missing}),
	"Disputes":       calls(call{args: with("KL-N1", 100), want: own}, call{args: with("KL-S1", 100), want: missing}),
	"Stays":          calls(call{args: with("KL-N1"), want: own}, call{args: with("KL-M1"), want: own}, call{args: with("KL-S1"), want: none}),
	"Sites":          calls(call{args: with("", 100), want: own}, call{args: with("site-N2", 100), want: none}),
	"AllSites":       calls(call{args: with(), want: own}),
	"Site":           calls(call{args: with("site-N1"), want: own}, call{args: with("site-S1"), want: missing}, call{args: with("site-X"), want: missing}),
	"Stack":          calls(call{args: with("stack-N"), want: own}, call{args: with("stack-S"), want: missing}, call{args: with("stack-X"), want: missing}),
	"RegisteredUnit": calls(call{args: with("KL-N1"), want: own}, call{args: with("KL-S1"), want: missing}),
	"AllUnits":       calls(call{args: with(), want: own}),
	"Known":          calls(call{args: with(), want: own}),
	"Organisations":  calls(call{args: with(), want: own}),
	"Catalogue":      calls(call{args: with(), want: none}),
	"Models":         calls(call{args: with(), want: none}),
	"Terms":          calls(call{args: with(), want: none}),
	"Plan":           calls(call{args: with(store.Registration{}), want: none}),
	"Bound":          calls(call{args: with("c-KL-S1", "", 100), want: none}),
	"BoundLike":      calls(call{args: with("c-KL-S1", "KL-S", "", 100), want: none}),
	"Quarantine": calls(call{args: with("", 0, 100), want: own}, call{args: with("not-a-number", 0, 100), want: own},
		call{args: with(analytics.ReasonConflictingSample, 0, 100), want: own}),
	"HeldByID":     calls(call{args: with([]int64{1, 2, 3, 4, 5, 6, 7}), want: own}),
	"HeldByReason": calls(call{args: with("not-a-number", 0, 100), want: own}),
	"Recheck":      calls(call{args: with(0, 1000), want: none}),

	"HeldRegistered": calls(call{args: with(100), want: refused}),
	"Ingest":         calls(call{args: with(), want: refused}),
	"Balance":        calls(call{args: with(), want: refused}),
	"Alarms":         calls(call{args: with(), want: refused}),
	"Deliveries":     calls(call{args: with(0, 100), want: refused}),
	"Batches":        calls(call{args: with("c-KL-S1", ""), want: refused}),
	"CountedUpTo":    calls(call{args: with("test", ever), want: refused}),
	"Anchors":        calls(call{args: with("test", 100), want: refused}),
	"Unrecorded":     calls(call{args: with("test", []store.Anchor{{Sequence: 1}}), want: refused}),
	"Holes":          calls(call{args: with(), want: refused, door: true}),
	"Receipt":        calls(call{args: with("c-KL-S1", "series"), want: refused, door: true}),
	"Profile":        calls(call{args: with("c-KL-S1"), want: refused, door: true}),
	"ProfileByHash":  calls(call{args: with([]byte("x")), want: refused, door: true}),
	"Checked":        calls(call{args: with("test"), want: none, door: true}),
	"Collectors":     calls(call{args: with(), want: refused}),
	"Collector":      calls(call{args: with("c-KL-S1"), want: refused}),
	"Logins":         calls(call{args: with(), want: refused}),
	"Asking":         calls(call{args: with(100), want: refused}),
	"People":         calls(call{args: with(), want: refused, door: true}),
	"Person":         calls(call{args: with(1), want: refused, door: true}),
	"Sessions":       calls(call{args: with(1), want: refused, door: true}),
	"Tokens":         calls(call{args: with(), want: refused, door: true}),
	"Trail":          calls(call{args: with(analytics.TrailFilter{}), want: refused}),
	"TrailEntries":   calls(call{args: with(1, nil), want: refused}),
	"CheckTrail":     calls(call{args: with(nil), want: refused}),

	"Raise":            calls(call{args: with("test", "KL-N1", "x"), want: refused}),
	"Settle":           calls(call{args: with("test", "KL-S1"), want: refused}),
	"ClearAlarm":       calls(call{args: with(1, "x"), want: refused}),
	"Register":         calls(call{args: with(store.Registration{Sites: []analytics.Site{{Name: "site-S1", Installer: north}}}), want: failed}),
	"Apply":            calls(call{args: with(store.Registration{Sites: []analytics.Site{{Name: "site-S1", Installer: north}}}, ""), want: failed}),
	"Correct":          calls(call{args: with(analytics.Correction{Serial: "KL-N1", From: 1, To: 2, By: "x", Why: "x"}), want: refused}),
	"Take":             calls(call{args: with([]analytics.Incoming{{Delivery: analytics.Delivery{Stream: "test", Sequence: 9999, Collector: "c", StoredAt: noon}}}), want: failed}),
	"Seal":             calls(call{args: with(time.Duration(0)), want: failed}),
	"RefreshStandings": calls(call{args: with(analytics.Millis(-1000)), want: failed}),
	"EnsurePartitions": calls(call{args: with(noon.Day()+50, noon.Day()+50), want: refused}),
	"SetProfile":       calls(call{args: with("c-KL-N1", []byte("x")), want: refused}),
	"SetUp":            calls(call{args: with(analytics.Collector{Name: "c-KL-N1", Taking: analytics.TakesAny}), want: refused}),
	"KeepLogin":        calls(call{args: with("c-KL-N1", "x"), want: refused}),
	"DropLogin":        calls(call{args: with("c-KL-S1"), want: refused}),
	"Bind":             calls(call{args: with("c-KL-N1", []analytics.Serial{"KL-N1"}, true), want: failed}),
	"Decide":           calls(call{args: with("c-asking", []analytics.Serial{"KL-N1"}, true), want: failed}),
	"RolledBack":       calls(call{args: with("test"), want: failed}),
	"SetChecked":       calls(call{args: with("test", store.Anchor{Sequence: 5}), want: failed}),
	"AddPerson":        calls(call{args: with(analytics.Person{Login: "eve", Role: analytics.RoleAdministrator}), want: refused, door: true}),
	"ChangePerson":     calls(call{args: with(analytics.Person{ID: 1, Role: analytics.RoleAuditor}), want: refused, door: true}),
	"DisablePerson":    calls(call{args: with(1, true), want: refused, door: true}),
	"AddCode":          calls(call{args: with([32]byte{1}, analytics.Code{Kind: analytics.CodeRecovery, Person: analytics.Person{ID: 1}, ExpiresAt: noon + 1}), want: refused, door: true}),
	"EndSessions":      calls(call{args: with(1, 0, 0), want: refused, door: true}),
	"AddToken":         calls(call{args: with([32]byte{1}, analytics.Token{Name: "x", Rights: analytics.Rights, ExpiresAt: noon + 1}), want: refused, door: true}),
	"RevokeToken":      calls(call{args: with(1), want: refused, door: true}),
}

// atDoor are methods that are the door's, whoever asks: they are given secrets,
// or told who has shown them. The rest is of the program itself.
var atDoor = []string{
	"BeginSignIn", "EndSignIn", "SignedIn", "PersonByIdentity", "PasswordHash", "SetPassword", "RenewHash", "AnyAdministrator", "AddFirstCode",
	"Code", "UseCode", "SaveSession", "FindSession", "DropSession", "TokenByHash", "Record",
	"Close", "Pool", "Ping", "NewLeases",
}

// ask calls a method by its name and gives what it answered: all texts in it, or
// the error.
func ask(t testing.TB, db *store.DB, ctx context.Context, method string, args []any) (string, error) {
	t.Helper()
	fn := reflect.ValueOf(db).MethodByName(method)
	if !fn.IsValid() || fn.Type().NumIn() != len(args)+1 {
		t.Fatalf("there is no method %s of %d arguments any more", method, len(args))
	}
	var texts strings.Builder
	in := []reflect.Value{reflect.ValueOf(ctx)}
	for i, a := range args {
		switch want := fn.Type().In(i + 1); {
		case want.Kind() == reflect.Func:
			in = append(in, reflect.MakeFunc(want, func(yielded []reflect.Value) []reflect.Value {
				for _, v := range yielded {
					write(&texts, v)
				}
				return []reflect.Value{reflect.Zero(want.Out(0))}
			}))
		case a == nil:
			in = append(in, reflect.Zero(want))
		default:
			in = append(in, reflect.ValueOf(a).Convert(want))
		}
	}
	var err error
	for _, v := range fn.Call(in) {
		if e, ok := v.Interface().(error); ok {
			err = e
			continue
		}
		write(&texts, v)
	}
	if err != nil {
		return "", err
	}
	return texts.String(), nil
}

// write writes all texts and numbers of a value.
func write(b *strings.Builder, v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			write(b, v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			write(b, v.Field(i))
		}
	case reflect.Map:
		for _, k := range v.MapKeys() {
			write(b, k)
			write(b, v.MapIndex(k))
		}
	case reflect.Slice, reflect.Array:
		if v.Kind() == reflect.Slice && v.Type().Elem().Kind() == reflect.Uint8 {
			b.Write(v.Bytes())
			break
		}
		for i := range v.Len() {
			write(b, v.Index(i))
		}
	case reflect.String:
		b.WriteString(v.String())
	}
	b.WriteByte(' ')
}

var (
	notNorths = regexp.MustCompile(`-[SXY]\d?\b|South`)
	norths    = regexp.MustCompile(`-[NM]\d?\b|North`)
)

// is reports how an answer differs from what is wanted, empty for not at all.
func (want answer) is(text string, err error) string {
	if x := notNorths.FindString(text); x != "" {
		return fmt.Sprintf("it tells of %q: %.300s", x, text)
	}
	switch {
	case want == own && err == nil && norths.MatchString(text), want == none && err == nil,
		want == missing && errors.Is(err, analytics.ErrNotFound), want == refused && denied(err), want == failed && err != nil:
		return ""
	}
	return fmt.Sprintf("wanted %s, got %.300q, %v", want, text, err)
}

// sums gives a sum over the rows of every table.
func (b bounds) sums(t testing.TB) map[string]string {
	t.Helper()
	out := map[string]string{}
	for table := range tableRules {
		var sum string
		if err := b.owner.Pool().QueryRow(nobody, fmt.Sprintf(
			`SELECT count(*) || ' ' || coalesce(md5(string_agg(t::text, '|' ORDER BY t::text)), '') FROM %s t`, table)).Scan(&sum); err != nil {
			t.Fatal(err)
		}
		out[table] = sum
	}
	return out
}

func checkEveryMethodKeepsTheBoundary(t *testing.T, b bounds) {
	methods := reflect.TypeFor[*store.DB]()
	for i := range methods.NumMethod() {
		name := methods.Method(i).Name
		if boundary[name] == nil && !slices.Contains(atDoor, name) {
			t.Errorf("method %s is not looked at: say what an installer gets of it", name)
		}
	}
	before := b.sums(t)
	northToken := analytics.Principal{Kind: analytics.KindToken, ID: 5, Name: "north's", Organisation: north, Granted: analytics.Rights}
	for _, name := range slices.Sorted(maps.Keys(boundary)) {
		for _, c := range boundary[name] {
			for _, p := range []analytics.Principal{installerN, northToken} {
				if wrong := c.want.is(ask(t, b.web, as(p), name, c.args)); wrong != "" {
					t.Errorf("%s%v by %s: %s", name, c.args, p.Name, wrong)
				}
			}
			// Whoever belongs nowhere gets nothing at all.
			for _, p := range []analytics.Principal{installerOfNobody, installerOfOther} {
				text, err := ask(t, b.web, as(p), name, c.args)
				if x := norths.FindString(text) + notNorths.FindString(text); x != "" || c.want == own && err == nil && strings.Contains(text, "KL-") {
					t.Errorf("%s%v by %s tells of %q, %v", name, c.args, p.Name, x, err)
				}
			}
			if c.door {
				continue
			}
			text, err := ask(t, b.web, nobody, name, c.args)
			if c.want == failed && err != nil {
				continue
			}
			if !denied(err) || norths.MatchString(text) || notNorths.MatchString(text) {
				t.Errorf("%s%v by nobody: %.300q, %v", name, c.args, text, err)
			}
		}
	}
	for table, sum := range b.sums(t) {
		if sum != before[table] {
			t.Errorf("%s was changed: %s, before %s", table, sum, before[table])
		}
	}
}

// checkCursorsOfOthersOpenNothing: a page goes on behind a foreign unit without
// telling of it, in every order.
func checkCursorsOfOthersOpenNothing(t *testing.T, b bounds) {
	for _, key := range []analytics.SortKey{analytics.SortPace, analytics.SortSpent, analytics.SortEFC, analytics.SortCold,
		analytics.SortCoverage, analytics.SortLast, analytics.SortSerial} {
		for _, ascending := range []bool{false, true} {
			f := analytics.UnitFilter{Sort: key, Ascending: ascending, Limit: 1}
			pages := 0
			for {
				page, err := b.web.Units(as(operations), f)
				if err != nil {
					t.Fatal(err)
				}
				pages++
				if page.Next == "" {
					break
				}
				f.After = page.Next
				g := f
				g.Limit = 100
				text, err := ask(t, b.web, as(installerN), "Units", with(g))
				if wrong := none.is(text, err); wrong != "" {
					t.Errorf("%s behind page %d: %s", key, pages, wrong)
				}
			}
			if pages != 7 {
				t.Errorf("staff pages through %d units", pages)
			}
		}
	}
}

func checkFleetSumsOwnUnits(t *testing.T, b bounds) {
	for _, c := range []struct {
		principal            analytics.Principal
		units, stacks, sites int64
	}{{installerN, 3, 1, 2}, {installerS, 2, 1, 1}, {tokenS, 2, 1, 1}, {installerOfNobody, 0, 0, 0}, {operations, 7, 3, 4}, {auditor, 7, 3, 4}} {
		f, err := b.web.Fleet(as(c.principal))
		if err != nil {
			t.Fatal(err)
		}
		page, err := b.web.Units(as(c.principal), analytics.UnitFilter{})
		if err != nil {
			t.Fatal(err)
		}
		want := analytics.FleetSummary{Units: c.units, Stacks: c.stacks, Sites: c.sites}
		flagged := map[analytics.FlagKind]int64{}
		for _, u := range page.Units {
			want.Samples += u.Samples
			want.Reporting++
			want.Energy.Charge += u.Energy.Charge
			want.Energy.Discharge += u.Energy.Discharge
			for _, k := range u.Flags {
				flagged[k]++
			}
		}
		var paced int64
		for _, bin := range f.Pace {
			paced += bin.Units
		}
		if f.Units != c.units || f.Stacks != c.stacks || f.Sites != c.sites || f.Reporting != want.Reporting ||
			f.Samples != want.Samples || f.Energy != want.Energy || paced+f.PaceUnknown != c.units {
			t.Errorf("%s: %+v, want %+v", c.principal.Name, f, want)
		}
		for _, k := range analytics.FlagKinds {
			if f.Flagged[k] != flagged[k] {
				t.Errorf("%s: %d flagged %s, want %d", c.principal.Name, f.Flagged[k], k, flagged[k])
			}
		}
	}
}
