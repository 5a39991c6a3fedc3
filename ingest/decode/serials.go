package decode

import (
	"math"

	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

// serials interns the serials of a source, so that a row allocates nothing,
// and follows what a delivery shows of each unit.
type serials struct {
	prof  *profile.Profile
	index map[string]int32
	units []interned
	last  int32
	// delivery counts deliveries from 1; trends holds what the current one
	// shows of its units. A table of many units is not gone through for each of
	// many small deliveries.
	delivery uint32
	trends   []trend
}

// interned is a serial that was met before.
type interned struct {
	serial analytics.Serial
	// delivery is the one that trend, an index, belongs to; at is the time of
	// the last sample in it.
	delivery uint32
	trend    int32
	at       analytics.Instant
}

// keptTrends is how many trends are worth their memory between deliveries.
const keptTrends = 1024

// begin forgets the trends of the last delivery and, when the table has grown
// too large, the serials.
func (s *serials) begin() {
	if s.index == nil || len(s.units) > maxSerials/2 || s.delivery == math.MaxUint32 {
		*s = serials{prof: s.prof, index: make(map[string]int32), units: s.units[:0], trends: s.trends}
	}
	s.delivery++
	if cap(s.trends) > keptTrends {
		s.trends = nil
	}
	s.trends = s.trends[:0]
}

// lookup gives the index of a serial that was seen before, or -1. Rows mostly
// are of the unit of the row before, or come in the order of the last time.
func (s *serials) lookup(text []byte) int32 {
	for i := s.last; i <= s.last+1 && int(i) < len(s.units); i++ {
		if string(s.units[i].serial) == string(text) {
			s.last = i
			return i
		}
	}
	i, ok := s.index[string(text)]
	if !ok {
		return -1
	}
	s.last = i
	return i
}

// intern gives the index of a serial, or its fault.
func (s *serials) intern(text []byte) (int32, profile.SerialFault) {
	if i := s.lookup(text); i >= 0 {
		return i, profile.SerialOK
	}
	if len(text) > profile.MaxSerialLength {
		return -1, profile.SerialTooLong
	}
	serial := string(text)
	if fault := s.prof.CheckSerial(serial); fault != profile.SerialOK {
		return -1, fault
	}
	return s.add(serial), profile.SerialOK
}

func (s *serials) add(serial string) int32 {
	i := int32(len(s.units))
	s.units = append(s.units, interned{serial: analytics.Serial(serial)})
	s.index[serial] = i
	s.last = i
	return i
}

// full reports that the table must be emptied before more is added.
func (s *serials) full() bool { return len(s.units) >= maxSerials }

// empty forgets every serial; what the trends show must be taken before.
func (s *serials) empty() {
	clear(s.index)
	s.units, s.trends = s.units[:0], s.trends[:0]
	s.last = 0
}

// follow takes an accepted sample of unit i.
func (s *serials) follow(i int32, x *analytics.Sample) {
	u := &s.units[i]
	if u.delivery != s.delivery {
		u.delivery, u.trend = s.delivery, int32(len(s.trends))
		s.trends = append(s.trends, trend{serial: u.serial})
	} else if uint64(x.Time-u.at) < uint64(thinGap) {
		return
	}
	u.at = x.Time
	s.trends[u.trend].follow(x)
}
