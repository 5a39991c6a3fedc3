package decode

import (
	"fadeledger/analytics"
	"fadeledger/ingest/profile"
)

// serials interns the serials of a source, so that a row allocates nothing,
// and follows each unit's state of charge against the sign of its power.
type serials struct {
	prof  *profile.Profile
	index map[string]int32
	units []unitTrend
	last  int32
}

// unitTrend is what is remembered of a unit within one delivery.
type unitTrend struct {
	serial analytics.Serial
	time   analytics.Instant
	soc    analytics.SoC
	// sign is that of power or current at time; known says that soc and sign
	// are those of an earlier sample.
	sign           int8
	known          bool
	against, along int64
}

const (
	// flipEvidence is the least change of state of charge against the sign, in
	// 0.1 %, that is worth a note, and flipShare how many times it must outweigh
	// the change along the sign. Common practice, no source.
	flipEvidence = 50
	flipShare    = 4
	// flipMaxGap bounds the pairs that are evidence.
	flipMaxGap = analytics.Hour
)

// begin forgets the trends of the last delivery and, when the table has grown
// too large, the serials.
func (s *serials) begin() {
	if s.index == nil || len(s.units) > maxSerials/2 {
		s.index = make(map[string]int32)
		s.units = s.units[:0]
		s.last = 0
	}
	for i := range s.units {
		s.units[i] = unitTrend{serial: s.units[i].serial}
	}
}

// lookup gives the index of a serial that was seen before, or -1.
func (s *serials) lookup(text []byte) int32 {
	if int(s.last) < len(s.units) && string(s.units[s.last].serial) == string(text) {
		return s.last
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
	s.units = append(s.units, unitTrend{serial: analytics.Serial(serial)})
	s.index[serial] = i
	s.last = i
	return i
}

// full reports that the table must be emptied before more is added.
func (s *serials) full() bool { return len(s.units) >= maxSerials }

// empty forgets every serial; flips must be taken before.
func (s *serials) empty() {
	clear(s.index)
	s.units = s.units[:0]
	s.last = 0
}

// follow takes an accepted sample of unit i.
func (s *serials) follow(i int32, x *analytics.Sample) {
	if x.Has&analytics.HasSoC == 0 || x.Has&(analytics.HasPower|analytics.HasCurrent) == 0 {
		return
	}
	flow := int64(x.Power)
	if x.Has&analytics.HasPower == 0 {
		flow = int64(x.Current)
	}
	var sign int8
	if flow > 0 {
		sign = 1
	} else if flow < 0 {
		sign = -1
	}
	u := &s.units[i]
	gap := analytics.Millis(x.Time - u.time)
	if u.known && sign != 0 && sign == u.sign && gap > 0 && gap <= flipMaxGap {
		change := int64(x.SoC-u.soc) * int64(sign)
		if change >= 0 {
			u.along += change
		} else {
			u.against -= change
		}
	}
	u.time, u.soc, u.sign, u.known = x.Time, x.SoC, sign, true
}

// flips appends the units whose sign looks flipped, up to maxDetails.
func (s *serials) flips(list []SignFlip) []SignFlip {
	for i := range s.units {
		u := &s.units[i]
		if u.against >= flipEvidence && u.against > flipShare*u.along && len(list) < maxDetails {
			list = append(list, SignFlip{Serial: u.serial, Against: u.against, Along: u.along})
		}
	}
	return list
}
