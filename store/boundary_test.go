package store_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"fadeledger/analytics"
	"fadeledger/analytics/household"
	"fadeledger/store"
	"fadeledger/store/storetest"
)

// Two organisations share a service. What is North's has an N in its name, what
// is South's an S; KL-M1 moved from South to North; nobody installed KL-X1 and
// KL-Y1.
const (
	north = "North Installers"
	south = "South Installers"
)

var (
	installerN = analytics.Principal{Kind: analytics.KindPerson, ID: 901, Name: "nora", Role: analytics.RoleInstaller, Organisation: north}
	installerS = analytics.Principal{Kind: analytics.KindPerson, ID: 902, Name: "sven", Role: analytics.RoleInstaller, Organisation: south}
	// Both kinds of principals without an organisation that there is.
	installerOfNobody = analytics.Principal{Kind: analytics.KindPerson, ID: 903, Name: "nil", Role: analytics.RoleInstaller}
	installerOfOther  = analytics.Principal{Kind: analytics.KindPerson, ID: 904, Name: "oli", Role: analytics.RoleInstaller, Organisation: "' OR true --"}
	tokenS            = analytics.Principal{Kind: analytics.KindToken, ID: 1, Name: "south's", Organisation: south, Granted: analytics.Rights}
	auditor           = analytics.Principal{Kind: analytics.KindPerson, ID: 905, Name: "aud", Role: analytics.RoleAuditor}
	operations        = analytics.Principal{Kind: analytics.KindPerson, ID: 906, Name: "ops", Role: analytics.RoleOperations}
	administrator     = analytics.Principal{Kind: analytics.KindPerson, ID: 907, Name: "root", Role: analytics.RoleAdministrator}
)

// bounds are a database with two organisations, opened by everybody.
type bounds struct{ owner, web, worker *store.DB }

func openBounds(t testing.TB) bounds {
	t.Helper()
	url := storetest.Database(t)
	open := func(as store.As) *store.DB {
		db, err := store.OpenAs(context.Background(), url, slog.New(slog.DiscardHandler), as)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(db.Close)
		at(db, noon)
		return db
	}
	b := bounds{open(store.AsConnected), open(store.ForWeb), open(store.ForWorker)}
	b.seed(t)
	return b
}

func (b bounds) seed(t testing.TB) {
	t.Helper()
	place := func(serial analytics.Serial, stack, site string) analytics.Unit {
		u := unit(serial)
		u.Stack, u.Site = stack, site
		return u
	}
	register := func(r store.Registration) {
		t.Helper()
		if _, err := b.owner.Register(console(), r); err != nil {
			t.Fatal(err)
		}
	}
	at(b.owner, noon-20*day)
	register(store.Registration{
		Models: household.Models(), Terms: household.EditionsOfTerms(),
		Sites: []analytics.Site{{Name: "site-N1", Installer: north}, {Name: "site-N2", Installer: north}, {Name: "site-S1", Installer: south}, {Name: "site-X"}},
		Units: []analytics.Unit{
			place("KL-N1", "stack-N", "site-N1"), place("KL-N2", "stack-N", "site-N2"),
			place("KL-S1", "stack-S", "site-S1"), place("KL-S2", "stack-S", "site-S1"),
			place("KL-M1", "stack-S", "site-S1"), place("KL-X1", "stack-X", "site-X"), place("KL-Y1", "stack-X", ""),
		},
	})
	at(b.owner, noon-10*day)
	register(store.Registration{Units: []analytics.Unit{place("KL-M1", "stack-N", "site-N1")}})
	at(b.owner, noon)
	for i, serial := range []analytics.Serial{"KL-N1", "KL-N2", "KL-S1", "KL-S2", "KL-M1", "KL-X1", "KL-Y1"} {
		b.count(t, uint64(i+1), serial)
	}
	refresh(t, b.owner, 7)
	b.seedTheRest(t)
}

// count gives a unit something in every table that units have rows in.
func (b bounds) count(t testing.TB, n uint64, serial analytics.Serial) {
	t.Helper()
	incoming := func(sequence uint64, samples []analytics.Sample) analytics.Incoming {
		d := stored(noon, n*100+sequence, serial, samples)
		d.Collector, d.Batch, d.Series, d.Number = "c-"+string(serial), "batch-"+string(serial), "series", int64(sequence)
		return d
	}
	cold := home(t, n, noon-5*day, 3000)
	for i := range cold {
		cold[i].Temp, cold[i].TempMax = cold[i].Temp-2000, cold[i].TempMax-2000
	}
	recent := home(t, n, noon-100*60_000, 100)
	other := cold[50]
	other.SoC ^= 1
	lower := cold[60]
	lower.Rank, lower.SoC = -1, lower.SoC^1
	refused := incoming(5, nil)
	refused.Units = nil
	refused.Refused = []analytics.Quarantined{{Serial: serial, Line: 3, Field: "soc", Rows: 1, Reason: "not-a-number", Message: "of " + string(serial), Raw: []byte("raw of " + serial)}}
	refused.Notes = []analytics.DeliveryNote{{Code: "sign", Detail: string(serial), Text: "of " + string(serial), Count: 1}}
	take(t, b.owner, incoming(1, recent))
	take(t, b.owner, incoming(2, cold)) // late: counted anew
	take(t, b.owner, incoming(3, []analytics.Sample{other}))
	take(t, b.owner, incoming(4, []analytics.Sample{lower}))
	take(t, b.owner, refused)
	if _, err := b.owner.Correct(console(), analytics.Correction{Serial: serial, From: noon - 4*day, To: noon - 4*day + 60_000,
		By: "by " + string(serial), Why: "of " + string(serial)}); err != nil {
		t.Fatal(err)
	}
}

// seedTheRest fills the tables that are not of one unit.
func (b bounds) seedTheRest(t testing.TB) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	_, err := b.owner.SetProfile(console(), "c-KL-S1", []byte("a profile of South"))
	must(err)
	must(b.owner.Raise(console(), "test", "KL-S1", "an alarm about KL-S1"))
	sql(t, b.owner, `INSERT INTO asking (unit_id, collector, first_at, last_at, samples) SELECT unit_id, 'c-asking', 1, 1, 1 FROM unit`)
	sql(t, b.owner, `INSERT INTO collector_login (user_name, collector, password, made_by, created_at) VALUES ('c-KL-S1', 'c-KL-S1', 'x', 'x', 1)`)
	sql(t, b.owner, `INSERT INTO worker (name, seen_at) VALUES ('w', now())`)
	sql(t, b.owner, `INSERT INTO lease (partition, worker, until) VALUES (1, 'w', now())`)
	p := person(t, b.owner, "someone", analytics.RoleAdministrator)
	session(t, b.owner, "session", p.ID)
	begin(t, b.owner, "guess")
	must(b.owner.AddCode(console(), hashOf("code"), analytics.Code{Kind: analytics.CodeRecovery, Person: p, ExpiresAt: noon + day}))
	_, err = b.owner.AddToken(console(), hashOf("token"), analytics.Token{Name: "t", Rights: analytics.Rights, ExpiresAt: noon + day})
	must(err)
}

// asked is somebody who asks, by a connection of their own.
type asked struct {
	name string
	db   *store.DB
	ctx  context.Context
}

// tx runs fn as whoever asks and undoes what it did.
func (a asked) tx(t testing.TB, fn func(tx pgx.Tx)) {
	t.Helper()
	undo := errors.New("undo")
	if err := pgx.BeginFunc(a.ctx, a.db.Pool(), func(tx pgx.Tx) error { fn(tx); return undo }); err != undo {
		t.Fatal(err)
	}
}

func (b bounds) everybody() []asked {
	return []asked{
		{"nobody", b.web, nobody},
		{"north's installer", b.web, as(installerN)},
		{"south's installer", b.web, as(installerS)},
		{"auditor", b.web, as(auditor)},
		{"staff", b.web, as(operations)},
		{"administrator", b.web, as(administrator)},
		{"worker", b.worker, nobody},
	}
}

// TestBoundary looks from all sides at one database with two organisations.
func TestBoundary(t *testing.T) {
	t.Parallel()
	b := openBounds(t)
	for _, side := range []struct {
		name  string
		check func(*testing.T, bounds)
	}{
		{"who may do what with which table", checkWhoMayDoWhatWithWhichTable},
		{"installers see their rows and no others", checkInstallersSeeTheirRowsAndNoOthers},
		{"who may call which function", checkWhoMayCallWhichFunction},
		{"every method keeps the boundary", checkEveryMethodKeepsTheBoundary},
		{"cursors of others open nothing", checkCursorsOfOthersOpenNothing},
		{"the fleet sums own units", checkFleetSumsOwnUnits},
		{"partitions are not read directly", checkPartitionsAreNotReadDirectly},
		{"roles cannot leave their bounds", checkRolesCannotLeaveTheirBounds},
		{"a connection forgets whose it was", checkAConnectionForgetsWhoseItWas},
	} {
		t.Run(side.name, func(t *testing.T) { side.check(t, b) })
	}
}

// may is what somebody may do with a table: s for reading rows, i, u and d for
// adding, changing and removing them.
type may struct{ nobody, installer, auditor, staff, administrator, worker string }

func (m may) of(who string) string {
	switch who {
	case "nobody":
		return m.nobody
	case "auditor":
		return m.auditor
	case "staff":
		return m.staff
	case "administrator":
		return m.administrator
	case "worker":
		return m.worker
	}
	return m.installer
}

// What tables are to each other's rows.
const (
	ofUnit  = `SELECT s.organisation FROM unit u JOIN site s ON s.name = u.site WHERE u.unit_id = t.unit_id`
	ofAll   = "all"  // everybody who may read it reads all of it
	ofStaff = "none" // there is nothing in it for an installer
)

type tableRule struct {
	may
	// organisation is SQL for whose a row t is, or ofAll or ofStaff.
	organisation string
}

var (
	counted   = may{"", "s", "s", "siud", "siud", "siud"}
	listed    = may{"", "s", "s", "siu", "siu", "s"}
	defined   = may{"", "s", "s", "si", "si", "s"}
	intake    = may{"", "", "s", "siud", "siud", "siud"}
	atTheDoor = may{"s", "", "s", "siud", "siud", "siud"}
	entrance  = may{"siud", "", "", "", "siud", ""}
	partition = may{"", "", "", "", "", "siud"}
)

// tableRules has every table of the schema: whoever adds one says here what it
// is to whom.
var tableRules = map[string]tableRule{
	"model":           {listed, ofAll},
	"terms":           {defined, ofAll},
	"site":            {listed, `SELECT t.organisation`},
	"unit":            {listed, `SELECT s.organisation FROM site s WHERE s.name = t.site`},
	"placement":       {listed, `SELECT s.organisation FROM unit u JOIN site s ON s.name = u.site JOIN site p ON p.name = t.site WHERE u.unit_id = t.unit_id AND p.organisation = s.organisation`},
	"correction":      {defined, ofUnit},
	"unit_ledger":     {counted, ofUnit},
	"unit_standing":   {counted, ofUnit},
	"unit_day":        {counted, ofUnit},
	"excursion":       {counted, ofUnit},
	"unit_event":      {counted, ofUnit},
	"recount":         {counted, ofUnit},
	"sample_run":      {counted, ofUnit},
	"sample_block":    {counted, ofUnit},
	"sample_other":    {counted, ofUnit},
	"quarantine":      {counted, `SELECT s.organisation FROM unit u JOIN site s ON s.name = u.site WHERE u.serial = t.serial`},
	"stream":          {may{"s", "s", "s", "siud", "siud", "siud"}, ofAll},
	"delivery":        {intake, ofStaff},
	"collector_note":  {intake, ofStaff},
	"alarm":           {intake, ofStaff},
	"asking":          {intake, ofStaff},
	"collector":       {atTheDoor, ofStaff},
	"receipt":         {atTheDoor, ofStaff},
	"profile":         {may{"s", "", "s", "si", "si", "s"}, ofStaff},
	"collector_login": {may{"", "", "", "sid", "sid", "s"}, ofStaff},
	"worker":          {may{"", "", "s", "s", "s", "siud"}, ofStaff},
	"lease":           {may{"", "", "s", "s", "s", "siud"}, ofStaff},
	"person":          {may{"siu", "", "", "", "siu", ""}, ofStaff},
	"token":           {may{"su", "", "", "", "siu", ""}, ofStaff},
	"session":         {entrance, ofStaff},
	"code":            {entrance, ofStaff},
	"sign_in":         {entrance, ofStaff},
	"trail":           {may{"", "", "s", "", "s", ""}, ofStaff},
	"trail_head":      {may{"", "", "s", "", "s", ""}, ofStaff},

	"goose_db_version": {may{"s", "", "", "", "", "s"}, ofStaff},
}

// tables lists the tables of the schema: columns by name, and the partitions
// apart.
func (b bounds) tables(t testing.TB) (columns map[string][]string, partitions []string) {
	t.Helper()
	rows, err := b.owner.Pool().Query(nobody, `
		SELECT c.relname, c.relispartition, array_agg(a.attname::text)
		FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
		JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped
		WHERE c.relkind IN ('r', 'p', 'v', 'm', 'f') AND n.nspname NOT IN ('pg_catalog', 'information_schema') AND n.nspname NOT LIKE 'pg\_t%'
		GROUP BY 1, 2`)
	if err != nil {
		t.Fatal(err)
	}
	columns = map[string][]string{}
	var name string
	var isPartition bool
	var list []string
	if _, err := pgx.ForEachRow(rows, []any{&name, &isPartition, &list}, func() error {
		columns[name] = slices.Clone(list)
		if isPartition {
			partitions = append(partitions, name)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return columns, partitions
}

// ruleOf gives the rule of a table or a partition.
func ruleOf(name string, partitions []string) (tableRule, bool) {
	if slices.Contains(partitions, name) {
		return tableRule{partition, ofStaff}, true
	}
	r, ok := tableRules[name]
	return r, ok
}

// denied reports whether the database refused.
func denied(err error) bool {
	var pg *pgconn.PgError
	return errors.Is(err, analytics.ErrDenied) || errors.As(err, &pg) && pg.Code == "42501"
}

func checkWhoMayDoWhatWithWhichTable(t *testing.T, b bounds) {
	columns, partitions := b.tables(t)
	if len(partitions) < 2 {
		t.Errorf("%d partitions of samples: nothing is seen there", len(partitions))
	}
	for name := range tableRules {
		if columns[name] == nil {
			t.Errorf("there is no table %s any more", name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(columns)) {
		rule, ok := ruleOf(name, partitions)
		if !ok {
			t.Errorf("table %s has no rule: say who may do what with it, and whose its rows are", name)
			continue
		}
		for _, a := range b.everybody() {
			if got, want := a.can(t, name, columns[name]), rule.of(a.name); got != want {
				t.Errorf("%s may do %q with %s, want %q", a.name, got, name, want)
			}
		}
	}
}

// can tries everything that may be done with a table.
func (a asked) can(t testing.TB, table string, columns []string) string {
	t.Helper()
	try := func(statement string) bool {
		ok := false
		a.tx(t, func(tx pgx.Tx) {
			_, err := tx.Exec(a.ctx, statement)
			ok = !denied(err)
		})
		return ok
	}
	// One column that may be changed is enough.
	update := slices.ContainsFunc(columns, func(column string) bool {
		return try(fmt.Sprintf(`UPDATE %s SET %s = DEFAULT WHERE false`, table, column))
	})
	read := slices.ContainsFunc(columns, func(column string) bool {
		return try(fmt.Sprintf(`SELECT count(%s) FROM %s`, column, table))
	})
	var can strings.Builder
	for _, x := range []struct {
		letter byte
		ok     bool
	}{
		{'s', read}, {'i', try(`INSERT INTO ` + table + ` DEFAULT VALUES`)}, {'u', update},
		{'d', try(`DELETE FROM ` + table + ` WHERE false`)}, {'t', try(`TRUNCATE ` + table + ` CASCADE`)},
	} {
		if x.ok {
			can.WriteByte(x.letter)
		}
	}
	return can.String()
}

// rowsOf gives the places of rows with whose they are.
func (b bounds) rowsOf(t testing.TB, table, organisation string) map[string]string {
	t.Helper()
	rows, err := b.owner.Pool().Query(nobody, fmt.Sprintf(`SELECT t.tableoid::regclass || ' ' || t.ctid, coalesce((%s), '') FROM %s t`, organisation, table))
	if err != nil {
		t.Fatalf("%s: %v", table, err)
	}
	out := map[string]string{}
	var place, of string
	if _, err := pgx.ForEachRow(rows, []any{&place, &of}, func() error { out[place] = of; return nil }); err != nil {
		t.Fatalf("%s: %v", table, err)
	}
	return out
}

func (a asked) sees(t testing.TB, table string) []string {
	t.Helper()
	rows, err := a.db.Pool().Query(a.ctx, fmt.Sprintf(`SELECT t.tableoid::regclass || ' ' || t.ctid FROM %s t`, table))
	if err != nil {
		t.Fatalf("%s reads %s: %v", a.name, table, err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatalf("%s reads %s: %v", a.name, table, err)
	}
	slices.Sort(list)
	return list
}

func checkInstallersSeeTheirRowsAndNoOthers(t *testing.T, b bounds) {
	for _, table := range slices.Sorted(maps.Keys(tableRules)) {
		rule := tableRules[table]
		organisation := rule.organisation
		if organisation == ofAll || organisation == ofStaff {
			organisation = `''`
		}
		whose := b.rowsOf(t, table, organisation)
		if len(whose) == 0 {
			t.Errorf("%s is empty: nothing is shown by it", table)
		}
		want := map[string][]string{}
		for place, of := range whose {
			want[of] = append(want[of], place)
		}
		own := organisation == rule.organisation
		if own && (len(want[north]) == 0 || len(want[south]) == 0 || len(want[""]) == 0) {
			t.Errorf("%s has %d rows of North, %d of South, %d of nobody", table, len(want[north]), len(want[south]), len(want[""]))
		}
		for _, a := range append(b.everybody(),
			asked{"installer of nobody", b.web, as(installerOfNobody)},
			asked{"installer of another", b.web, as(installerOfOther)},
			asked{"a token of south's", b.web, as(tokenS)}) {
			if !strings.Contains(rule.of(a.name), "s") {
				continue
			}
			expected := slices.Collect(maps.Keys(whose))
			if own {
				switch a.name {
				case "north's installer":
					expected = want[north]
				case "south's installer", "a token of south's":
					expected = want[south]
				case "installer of nobody", "installer of another":
					expected = nil
				}
			}
			slices.Sort(expected)
			if got := a.sees(t, table); !slices.Equal(got, expected) {
				t.Errorf("%s sees %d rows of %s, want %d: %v", a.name, len(got), table, len(expected), got)
			}
		}
	}
}

func checkWhoMayCallWhichFunction(t *testing.T, b bounds) {
	everybody := []string{"administrator", "auditor", "installer", "staff", "web", "worker"}
	want := map[string][]string{
		"append_trail":       everybody,
		"make_run_partition": {"administrator", "staff", "worker"},
		"drop_run_partition": {"worker"},
		"seen_organisation":  everybody,
		"trail_stays":        everybody, // a trigger's alone
	}
	got := map[string][]string{}
	rows, err := b.owner.Pool().Query(nobody, `
		SELECT p.proname, r.rolname, has_function_privilege(r.oid, p.oid, 'EXECUTE')
		FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace, pg_roles r
		WHERE n.nspname = 'public' AND r.rolname LIKE 'fadeledger\_%' ORDER BY r.rolname`)
	if err != nil {
		t.Fatal(err)
	}
	var function, role string
	var ok bool
	if _, err := pgx.ForEachRow(rows, []any{&function, &role, &ok}, func() error {
		got[function] = slices.Clip(got[function])
		if ok {
			got[function] = append(got[function], strings.TrimPrefix(role, "fadeledger_"))
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	for _, name := range slices.Sorted(maps.Keys(got)) {
		if !slices.Equal(got[name], want[name]) {
			t.Errorf("%s may be called by %v, want %v", name, got[name], want[name])
		}
	}
	for name := range want {
		if _, ok := got[name]; !ok {
			t.Errorf("there is no function %s any more", name)
		}
	}
}
