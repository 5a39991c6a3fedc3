package household

import (
	"errors"
	"fmt"

	"fadeledger/analytics"
)

// AllFields are all measurements that a battery can report.
const AllFields = analytics.Measured

// Config describes one home with one battery. The zero value of most fields
// stands for something ordinary; Model, Start and Cadence must be set.
type Config struct {
	// Seed fixes everything that is drawn for this home, WeatherSeed the
	// weather: homes with the same WeatherSeed and Climate share it.
	Seed, WeatherSeed uint64
	Serial            analytics.Serial
	Model             analytics.Model
	// Start is the instant of the first sample, Cadence the time from one to
	// the next, from a second to an hour.
	Start   analytics.Instant
	Cadence analytics.Millis
	// Climate is Plain where it has no name.
	Climate   Climate
	Placement analytics.Placement
	// Array is the peak power of the panels; zero means none.
	Array  analytics.Milliwatts
	Habits Habits
	// Report holds the fields that samples carry; zero means AllFields.
	Report analytics.Fields
	Faults Faults
}

// Habits are how a household uses its battery. Without any of CheapTarget and
// TradesPerDay the battery charges from surplus sun and serves the load.
type Habits struct {
	// DailyLoad is the mean consumption of a day; zero means 10 kWh.
	DailyLoad analytics.MilliwattHours
	// Reserve is the lowest state of charge in use; zero means 5 %.
	Reserve analytics.SoC
	// CheapTarget is the state of charge to which the battery is filled from
	// the grid at night; zero means never.
	CheapTarget analytics.SoC
	// CheapWinterOnly limits that to the darker half of the year.
	CheapWinterOnly bool
	// TradesPerDay is the number of times a day that the battery is filled
	// from the grid and emptied into it; zero means never.
	TradesPerDay float64
}

// Cheap hours by local time.
const (
	cheapFrom = 1
	cheapTo   = 5
)

// roundTrip is the energy efficiency of a full cycle at C/4 and 25 °C.
const roundTrip = 0.955

func (c Config) withDefaults() Config {
	if c.Climate.Name == "" {
		c.Climate = Plain
	}
	if c.Habits.DailyLoad == 0 {
		c.Habits.DailyLoad = 10e6
	}
	if c.Habits.Reserve == 0 {
		c.Habits.Reserve = 50
	}
	if c.Report == 0 {
		c.Report = AllFields
	}
	if c.Model.MaxPower == 0 {
		c.Model.MaxPower = analytics.Milliwatts(c.Model.Rated / 2)
	}
	return c
}

// Validate reports the first setting that makes no sense.
func (c Config) Validate() error {
	switch h := c.Habits; {
	case c.Model.Rated <= 0:
		return errors.New("the model's rated energy must be above zero")
	case c.Model.RatedCharge < 0 || c.Model.MaxPower < 0 || c.Array < 0 || h.DailyLoad < 0:
		return errors.New("capacity, powers and load must not be negative")
	case h.Reserve < 0 || h.Reserve > 900:
		return fmt.Errorf("reserve %g %% is not within 0 to 90 %%", h.Reserve.Percent())
	case h.CheapTarget < 0 || h.CheapTarget > 1000:
		return fmt.Errorf("cheap target %g %% is not within 0 to 100 %%", h.CheapTarget.Percent())
	case !(h.TradesPerDay >= 0 && h.TradesPerDay <= 6):
		return fmt.Errorf("%g trades a day are not within 0 to 6", h.TradesPerDay)
	case c.Report&^AllFields != 0:
		return errors.New("report names fields that are no measurement")
	}
	if err := validCadence(c.Cadence); err != nil {
		return err
	}
	return c.Faults.validate()
}

func validCadence(m analytics.Millis) error {
	if m < analytics.Second || m > analytics.Hour {
		return fmt.Errorf("cadence %v is not within a second to an hour", m.Duration())
	}
	return nil
}
