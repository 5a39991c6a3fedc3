package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"fadeledger/analytics"
)

// The measurements are open data that is not part of this repository:
// A. Kawakita de Souza (2021), "Lithium-ion Battery OCV and Dynamic Test Data of
// a LiFePO4 cylindrical cell", Mendeley Data V1, doi:10.17632/p8kf893yv3.1,
// CC BY 4.0: a 26650 cell of 2.5 Ah, one sample a second, as CSV.
func openData(t *testing.T, name string) (path string, ok bool) {
	dir := os.Getenv("FADELEDGER_OPEN_DATA")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared", "data")
	}
	path = filepath.Join(dir, name)
	if _, err := os.Stat(path); err != nil {
		t.Logf("open data absent, nothing checked here: %v (FADELEDGER_OPEN_DATA names its folder)", err)
		return "", false
	}
	return path, true
}

// cellModels describe the cell as a unit: 2.5 Ah at a nominal 3.3 V.
const cellModels = `models:
  - name: CELL-26650
    chemistry: LFP
    rated_wh: 8.25
    rated_ah: 2.5
    max_power_w: 250
    charge_limit:
      - {cell_temp_c: 0, c_rate: 10}
      - {cell_temp_c: 60, c_rate: 10}
    discharge_limit:
      - {cell_temp_c: -30, c_rate: 20}
      - {cell_temp_c: 60, c_rate: 20}
`

// cellProfile reads the laboratory's files: seconds since the start, current
// positive while charging, each value the mean over the second before it.
func cellProfile(serial string) string {
	return "unit: " + serial + `
time_is: relative-s
start: 2026-01-05T00:00:00Z
power_is: interval-mean
fields:
  time: {from: time_s}
  current_a: {from: current_a_pos_charge}
  cell_temp_c: {from: t_surface_c}
ignore: [step, chg_ah, dis_ah, t_ambient_c]
`
}

// TestMeasuredCells takes two laboratory records through profile, broker and
// ledger as two units.
func TestMeasuredCells(t *testing.T) {
	pulses, ok := openData(t, "lfp_26650_pulses_25c.csv")
	udds, ok2 := openData(t, "lfp_26650_udds_25c.csv")
	if !ok || !ok2 {
		return
	}
	ts := newService(t)
	ts.startWorker(t)
	ts.registerText(t, map[string]string{
		"models.yaml": cellModels,
		"units.csv":   "unit,model\nCELL-PULSES,CELL-26650\nCELL-DRIVE,CELL-26650\nCELL-STEPS,CELL-26650\n",
	})
	// The pulses alone: the record from the last row before step 5 to the end
	// of step 6.
	steps := writeFile(t, "steps.csv", pulseRows(t, pulses))
	for serial, file := range map[string]string{"CELL-PULSES": pulses, "CELL-DRIVE": udds, "CELL-STEPS": steps} {
		load := loadCmd{server: ts.server(), Files: []string{file}, Collector: serial, Profile: writeFile(t, "profile.yaml", cellProfile(serial))}
		if err := load.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	// Reference energies of steps 5 and 6: 47.0871 Wh out, 51.7838 Wh in,
	// computed from the same record by step-hold integration of V × I.
	ts.wantEnergy(t, "CELL-STEPS", 51.7838, 47.0871)
	in, out := stepHold(t, pulses)
	ts.wantEnergy(t, "CELL-PULSES", in, out)
	in, out = stepHold(t, udds)
	ts.wantEnergy(t, "CELL-DRIVE", in, out)
	for _, serial := range []string{"CELL-PULSES", "CELL-DRIVE"} {
		page := string(ts.get(t, "/units/"+serial))
		if !strings.Contains(page, serial) || !strings.Contains(page, "<svg") {
			t.Errorf("the page of %s shows no chart", serial)
		}
	}
}

// wantEnergy compares the ledger's energies with Wh, to 0.1 %.
func (ts *testService) wantEnergy(t *testing.T, serial analytics.Serial, inWh, outWh float64) {
	t.Helper()
	var l struct {
		Samples      int64
		ChargeMWh    float64          `json:"charge_mwh"`
		DischargeMWh float64          `json:"discharge_mwh"`
		ByBasis      map[string][]int `json:"energy_by_basis"`
	}
	decodeJSON(t, ts.get(t, ledgerPath(serial)), &l)
	t.Logf("%s: %d samples, %.4f Wh in (%.4f), %.4f Wh out (%.4f)", serial, l.Samples, l.ChargeMWh/1000, inWh, l.DischargeMWh/1000, outWh)
	for _, x := range []struct {
		name      string
		got, want float64
	}{{"charge", l.ChargeMWh / 1000, inWh}, {"discharge", l.DischargeMWh / 1000, outWh}} {
		if math.Abs(x.got-x.want) > 0.001*x.want {
			t.Errorf("%s: %s %.4f Wh, want %.4f within 0.1 %%", serial, x.name, x.got, x.want)
		}
	}
	if l.ByBasis["power"][0] == 0 || l.ByBasis["counter"][0] != 0 {
		t.Errorf("%s: by basis %v, want power alone", serial, l.ByBasis)
	}
}

type cellRow struct {
	step            string
	at, amps, volts float64
}

func readCell(t *testing.T, path string) (records [][]string, rows []cellRow) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	records, err = csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range records[0] {
		column[name] = i
	}
	for _, r := range records[1:] {
		number := func(name string) float64 {
			v, err := strconv.ParseFloat(r[column[name]], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
		rows = append(rows, cellRow{r[column["step"]], number("time_s"), number("current_a_pos_charge"), number("voltage_v")})
	}
	return records, rows
}

// stepHold integrates V × I in floating point, each value over the interval
// that ends at it, leaving out gaps of more than the model's 15 minutes.
func stepHold(t *testing.T, path string) (inWh, outWh float64) {
	t.Helper()
	_, rows := readCell(t, path)
	for i := 1; i < len(rows); i++ {
		elapsed := rows[i].at - rows[i-1].at
		if elapsed > 900 {
			continue
		}
		wh := rows[i].amps * rows[i].volts * elapsed / 3600
		if wh > 0 {
			inWh += wh
		} else {
			outWh -= wh
		}
	}
	return inWh, outWh
}

// pulseRows cuts the pulses out of the record: step 5 discharges and step 6
// charges for ten seconds each, again and again.
func pulseRows(t *testing.T, path string) string {
	t.Helper()
	records, rows := readCell(t, path)
	var b strings.Builder
	fmt.Fprintln(&b, strings.Join(records[0], ","))
	for i, r := range rows {
		pulse := r.step == "5" || r.step == "6"
		before := i+1 < len(rows) && (rows[i+1].step == "5" || rows[i+1].step == "6")
		if pulse || before {
			fmt.Fprintln(&b, strings.Join(records[i+1], ","))
		}
	}
	return b.String()
}
