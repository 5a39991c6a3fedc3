package decode

import (
	"math"

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
	// delivery counts deliveries from 1; met holds the units that the current
	// one has a trend of. A table of many units is not gone through for each of
	// many small deliveries.
	delivery uint32
	met      []int32
}

// unitTrend is what is remembered of a unit within one delivery.
type unitTrend struct {
	serial analytics.Serial
	time   analytics.Instant
	soc    analytics.SoC
	// sign is that of power or current at time.
	sign int8
	// delivery is the one that the trend belongs to.
	delivery       uint32
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
	if s.index == nil || len(s.units) > maxSerials/2 || s.delivery == math.MaxUint32 {
		*s = serials{prof: s.prof, index: make(map[string]int32), units: s.units[:0], met: s.met}
	}
	s.delivery++
	s.met = s.met[:0]
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
	s.units, s.met = s.units[:0], s.met[:0]
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
	if u.delivery != s.delivery {
		*u = unitTrend{serial: u.serial, time: x.Time, soc: x.SoC, sign: sign, delivery: s.delivery}
		s.met = append(s.met, i)
		return
	}
	gap := analytics.Millis(x.Time - u.time)
	if sign != 0 && sign == u.sign && gap > 0 && gap <= flipMaxGap {
		change := int64(x.SoC-u.soc) * int64(sign)
		if change >= 0 {
			u.along += change
		} else {
			u.against -= change
		}
	}
	u.time, u.soc, u.sign = x.Time, x.SoC, sign
}

// flips appends the units whose sign looks flipped, up to maxDetails.
func (s *serials) flips(list []SignFlip) []SignFlip {
	for _, i := range s.met {
		u := &s.units[i]
		if u.against >= flipEvidence && u.against > flipShare*u.along && len(list) < maxDetails {
			list = append(list, SignFlip{Serial: u.serial, Against: u.against, Along: u.along})
		}
	}
	return list
}
