package main

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"fadeledger/analytics"
	"fadeledger/ingest"
	"fadeledger/store"
)

const unitHead = "unit,model,stack,site,shipped,commissioned,terms,position\n"

func unitRow(serial, stack, site string) string {
	return serial + ",HB-5," + stack + "," + site + ",2025-11-01,2025-12-01,HB-5 home 2026,\n"
}

// fill registers units of both organisations, delivers telemetry of them and
// counts it.
func (r *accessRig) fill() {
	r.register("models.yaml", readFile(r.t, "catalogue", "models.yaml"))
	r.register("sites.csv", "site,zone,installer\nsite-a,Europe/Oslo,crew-a\nsite-b,Europe/Oslo,crew-b\nsite-n,Europe/Oslo,\n")
	r.register("units.csv", unitHead+unitRow("KLA-0001", "stack-a", "site-a")+unitRow("KLA-0002", "stack-a", "site-a")+
		unitRow("KLB-0001", "stack-b", "site-b")+unitRow("KLB-0002", "stack-b", "site-b")+unitRow("KLB-0003", "stack-b", "site-b")+unitRow("KLN-0001", "", ""))
	r.deliver()
	r.countAll()
	r.correct(&r.own)
	r.correct(&r.other)
	r.must(r.owner.Raise(r.t.Context(), analytics.AlarmDiffers, "KLB-0001", "an alarm about KLB-0001"))
	for {
		n, err := r.owner.RefreshStandings(r.t.Context(), analytics.Hour)
		r.must(err)
		if n == 0 {
			return
		}
	}
}

func (r *accessRig) register(name, text string) {
	r.t.Helper()
	r.want(http.StatusOK, r.administrator, call{method: http.MethodPost, path: "/api/v1/register?name=" + name, kind: "text/csv", body: text})
}

// morning is when the telemetry of these tests begins.
func morning() time.Time { return time.Now().UTC().Truncate(24 * time.Hour).Add(-72 * time.Hour) }

// disputesMade is how many instants of each unit are in dispute.
const disputesMade = 10

// csvBody is a delivery of a unit: five hours of samples, and one row that
// cannot be read.
func csvBody(unit string, soc int) string {
	var b bytes.Buffer
	b.WriteString("unit,time,soc_pct,power_w,cell_temp_c\n")
	for i := range 300 {
		fmt.Fprintf(&b, "%s,%s,%d,%d,21.5\n", unit, morning().Add(time.Duration(i)*time.Minute).Format(time.RFC3339), soc+i/10, 400)
	}
	fmt.Fprintf(&b, "%s,%s,much of %s,400,21.5\n", unit, morning().Add(6*time.Hour).Format(time.RFC3339), unit)
	return b.String()
}

// deliver hands in telemetry of all units as the collectors of either side,
// numbered, in batches, and once more with other values.
func (r *accessRig) deliver() {
	number := map[string]int{}
	send := func(collector, unit, body string) {
		number[collector]++
		n := strconv.Itoa(number[collector])
		r.want(http.StatusAccepted, r.operations, call{method: http.MethodPost, path: "/api/v1/telemetry?collector=" + collector, kind: "text/csv", body: body,
			header: [][2]string{{"Fadeledger-Batch", "batch-of-" + unit + "-" + n}, {"Fadeledger-Series", "series-of-" + collector}, {"Fadeledger-Number", n}}})
	}
	for _, x := range []struct{ collector, unit string }{
		{"c-a", "KLA-0001"}, {"c-a", "KLA-0002"}, {"c-b", "KLB-0001"}, {"c-b", "KLB-0002"}, {"c-b", "KLB-0003"}, {"c-n", "KLN-0001"},
	} {
		send(x.collector, x.unit, csvBody(x.unit, 30))
		var b strings.Builder
		b.WriteString("unit,time,soc_pct\n")
		for i := range disputesMade {
			fmt.Fprintf(&b, "%s,%s,77\n", x.unit, morning().Add(time.Duration(i)*time.Minute).Format(time.RFC3339))
		}
		send(x.collector, x.unit, b.String())
	}
}

// countAll runs a worker until everything that is stored is counted.
func (r *accessRig) countAll() {
	ctx, cancel := context.WithCancel(context.WithoutCancel(r.t.Context()))
	done := make(chan error, 1)
	go func() { done <- r.work(ctx, ingest.DefaultGather, nil) }()
	(&testService{services: r.services}).idle(r.t)
	cancel()
	r.must(<-done)
}

// correct makes a correction of an object's unit and notes its number.
func (r *accessRig) correct(o *object) {
	a := r.want(http.StatusCreated, r.manager, jsonCall(http.MethodPost, "/api/v1/units/"+o.unit+"/corrections",
		fmt.Sprintf(`{"from":%q,"to":%q,"why":"because of %s","samples":[]}`, morning().Add(5*time.Hour).Format(time.RFC3339), morning().Add(5*time.Hour+time.Minute).Format(time.RFC3339), o.unit)))
	var made struct{ ID int64 }
	decodeJSON(r.t, []byte(a.body), &made)
	o.correction = made.ID
}

// Things that are made for one request, which may use them up.

// newUnit registers a unit of nobody's and gives its serial.
func (r *accessRig) newUnit() string {
	serial := fmt.Sprintf("KLN-%04d", 1000+r.next())
	_, err := r.owner.Register(r.t.Context(), store.Registration{Units: []analytics.Unit{{Serial: analytics.Serial(serial), Model: "HB-5"}}})
	r.must(err)
	return serial
}

// take counts a delivery that comes from nowhere.
func (r *accessRig) take(collector, serial string) {
	now := analytics.InstantOf(time.Now())
	_, err := r.owner.Take(r.t.Context(), []analytics.Incoming{{
		Delivery:    analytics.Delivery{Stream: r.identity, Sequence: 1_000_000 + uint64(r.next()), Collector: collector, StoredAt: now},
		ContentType: "text/csv", Header: []byte("unit,time,soc_pct"),
		Units: []analytics.UnitSamples{{Serial: analytics.Serial(serial), Lines: []int32{2},
			Samples: []analytics.Sample{{Time: now - 60_000, Has: analytics.HasSoC, SoC: 5}}}},
	}})
	r.must(err)
}

// newHeld gives a row in quarantine that can be released: its unit was
// registered after it came.
func (r *accessRig) newHeld() int64 {
	serial := fmt.Sprintf("KLN-%04d", 1000+r.next())
	r.take("c-n", serial)
	_, err := r.owner.Register(r.t.Context(), store.Registration{Units: []analytics.Unit{{Serial: analytics.Serial(serial), Model: "HB-5"}}})
	r.must(err)
	return r.number(`SELECT max(quarantine_id) FROM quarantine WHERE serial = $1`, serial)
}

// newAsking gives a unit that the collector c-first asks for.
func (r *accessRig) newAsking() string {
	serial := r.newUnit()
	r.must(r.owner.SetUp(asConsole(r.t.Context()), analytics.Collector{Name: "c-first", Taking: analytics.TakesFirst}))
	r.take("c-first", serial)
	return serial
}

// newAlarm gives an open alarm.
func (r *accessRig) newAlarm() int64 {
	subject := fmt.Sprintf("subject-%d", r.next())
	r.must(r.owner.Raise(r.t.Context(), analytics.AlarmDiffers, subject, "an alarm"))
	return r.number(`SELECT max(alarm_id) FROM alarm WHERE subject = $1`, subject)
}

// somePerson gives a person who has not signed in yet.
func (r *accessRig) somePerson() int64 {
	p, err := r.owner.AddPerson(asConsole(r.t.Context()), analytics.Person{Login: fmt.Sprintf("guest-%d", r.next()), Name: "Guest", Role: analytics.RoleAuditor})
	r.must(err)
	return p.ID
}

// newCollector gives a collector with a login.
func (r *accessRig) newCollector() (name, user string) {
	name = fmt.Sprintf("c-new-%d", r.next())
	r.must(r.owner.SetUp(asConsole(r.t.Context()), analytics.Collector{Name: name, Taking: analytics.TakesBound}))
	login, password, err := (&collectors{db: r.owner}).AddLogin(asConsole(r.t.Context()), name)
	r.must(err)
	r.keepSecret(password, "password of a login")
	return name, login.User
}

func (r *accessRig) number(query string, args ...any) (n int64) {
	r.t.Helper()
	r.must(r.owner.Pool().QueryRow(r.t.Context(), query, args...).Scan(&n))
	return n
}
