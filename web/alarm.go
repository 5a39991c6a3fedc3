package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"fadeledger/analytics"
)

// alarmRow is something that somebody has to look at.
type alarmRow struct {
	ID                                 int64
	Title, Subject, Message, Remedy    string
	Raised, RaisedTime, Last, LastTime string
	Times                              string
	// Cleared and By are empty while it is open.
	Cleared, By string
}

// alarmTitle names a kind of alarm.
func alarmTitle(k analytics.AlarmKind) string {
	switch k {
	case analytics.AlarmRolledBack:
		return "The stream lost its end"
	case analytics.AlarmRestored:
		return "The database is older than the stream"
	case analytics.AlarmUnbalanced:
		return "The books do not add up"
	case analytics.AlarmDiffers:
		return "A stored ledger is not that of its samples"
	case analytics.AlarmFilling:
		return "The stream is nearly full"
	}
	return label(k)
}

// alarmRemedy says what to look at.
func alarmRemedy(k analytics.AlarmKind) string {
	switch k {
	case analytics.AlarmRolledBack:
		return "What the stream still holds is read again by itself. Collectors that keep what has no receipt send the rest; ask the others to."
	case analytics.AlarmRestored:
		return "What the stream still holds is counted again by itself. What it no longer holds has to be sent again by its collectors."
	case analytics.AlarmUnbalanced:
		return "This must not happen. Keep the log of the workers and a backup of the database, and have the ledgers checked against their samples."
	case analytics.AlarmDiffers:
		return "This must not happen. Keep a backup of the database before the unit is counted again."
	case analytics.AlarmFilling:
		return "See whether workers run and keep up, and give the stream more room. When it is full, collectors are told to wait; nothing that is stored is dropped."
	}
	return ""
}

func alarmRowOf(a analytics.Alarm, now time.Time) alarmRow {
	row := alarmRow{ID: a.ID, Title: alarmTitle(a.Kind), Subject: label(a.Subject), Message: visible(a.Message, longestReason), Remedy: alarmRemedy(a.Kind),
		Raised: when(a.RaisedAt), RaisedTime: machineTime(a.RaisedAt), Last: ago(a.LastAt, now), LastTime: machineTime(a.LastAt)}
	if a.Times > 1 {
		row.Times = count(a.Times) + nbsp + "times"
	}
	if a.ClearedAt != nil {
		row.Cleared, row.By = when(*a.ClearedAt), visible(a.ClearedBy, longestBy)
	}
	return row
}

// handleClearAlarm answers POST /ingest/alarms/clear: it notes who has seen to
// an alarm. Sent twice it notes the first.
func (s *site) handleClearAlarm(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, maxSmallForm)
	if err := r.ParseForm(); err != nil {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	id, err := strconv.ParseInt(r.PostForm.Get("id"), 10, 64)
	if err != nil {
		s.writeErrorPage(w, r, http.StatusBadRequest)
		return
	}
	err = s.cfg.Upkeep.ClearAlarm(r.Context(), id, analytics.PrincipalOf(r.Context()).Name)
	if err != nil && !errors.Is(err, analytics.ErrNotFound) {
		s.fail(w, r, "clear an alarm", err)
		return
	}
	http.Redirect(w, r, "/ingest?seen="+strconv.FormatInt(id, 10)+"#alarms", http.StatusSeeOther)
}

// seenWords says what became of an alarm, from the address that noting it led
// back to.
func seenWords(text string, alarms []analytics.Alarm) string {
	id, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return ""
	}
	for _, a := range alarms {
		if a.ID == id && a.ClearedAt != nil {
			return "Noted: " + visible(a.ClearedBy, longestBy) + " has seen to it. If its cause is still there, the alarm is raised again."
		}
	}
	return ""
}

// seriesRow is a series of numbered deliveries in which some are missing.
type seriesRow struct{ Collector, Text, Last, LastTime string }

// holesShown is how many spans of a series are told.
const holesShown = 6

// seriesRowOf tells the holes of a receipt in words.
func seriesRowOf(r analytics.Receipt, now time.Time) seriesRow {
	var parts []string
	for i, h := range r.Holes {
		if i == holesShown {
			parts = append(parts, count(int64(len(r.Holes)-i))+" more spans")
			break
		}
		if h[0] == h[1] {
			parts = append(parts, count(h[0]))
		} else {
			parts = append(parts, count(h[0])+" to "+count(h[1]))
		}
	}
	noun, verb := "Deliveries ", " have not arrived."
	if len(r.Holes) == 1 && r.Holes[0][0] == r.Holes[0][1] {
		noun, verb = "Delivery ", " has not arrived."
	}
	list := strings.Join(parts, ", ")
	if n := len(parts); n > 1 {
		list = strings.Join(parts[:n-1], ", ") + " and " + parts[n-1]
	}
	return seriesRow{Collector: label(r.Collector), Text: noun + list + " of series " + label(r.Series) + verb,
		Last: "number " + count(r.Last) + " came " + ago(r.At, now), LastTime: machineTime(r.At)}
}
