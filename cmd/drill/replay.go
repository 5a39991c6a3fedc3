package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"

	"fadeledger/cmd/drill/rig"
	"fadeledger/cmd/drill/sim"
)

// stored is a schedule in a file: of the simulation or for real processes.
type stored struct {
	sim  *sim.Schedule
	real *rig.Schedule
}

// loadStored reads a schedule. One for real processes has a workload.
func loadStored(path string) (stored, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return stored{}, fmt.Errorf("read schedule: %w", err)
	}
	var form struct {
		Workload json.RawMessage `json:"workload"`
	}
	if err := json.Unmarshal(b, &form); err != nil {
		return stored{}, fmt.Errorf("read schedule %s: %w", path, err)
	}
	if form.Workload != nil {
		s, err := rig.Load(path)
		return stored{real: &s}, err
	}
	s := &sim.Schedule{}
	if err := json.Unmarshal(b, s); err != nil {
		return stored{}, fmt.Errorf("read schedule %s: %w", path, err)
	}
	return stored{sim: s}, nil
}

type replayCmd struct {
	File    string `arg:"" help:"Schedule." type:"existingfile"`
	Times   int    `help:"How often: real processes do not do the same twice." default:"1"`
	Program string `help:"Program to try instead of the one in this module." type:"existingfile"`
}

// Run plays a schedule again.
func (c replayCmd) Run(ctx context.Context, log *slog.Logger) (err error) {
	s, err := loadStored(c.File)
	if err != nil {
		return err
	}
	if s.sim != nil {
		r := sim.Run(*s.sim)
		for _, t := range r.Trouble {
			fmt.Println(t)
		}
		fmt.Printf("%d deliveries, %d samples, %d differences\n", r.Deliveries, r.Samples, len(r.Trouble))
		if r.Failed() {
			return errFound
		}
		return nil
	}
	t, err := lay(ctx, log, c.Program, "")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, t.clear()) }()
	failed := 0
	for range c.Times {
		r, err := rig.Run(ctx, t.Config, *s.real)
		if err != nil {
			return err
		}
		fmt.Println(r)
		if r.Failed() {
			failed++
		}
	}
	if failed > 0 {
		return fmt.Errorf("%w, %d times of %d", errFound, failed, c.Times)
	}
	return nil
}

type shrinkCmd struct {
	File    string `arg:"" help:"Schedule that fails." type:"existingfile"`
	Out     string `arg:"" help:"File for the smaller one." type:"path"`
	Program string `help:"Program to try instead of the one in this module." type:"existingfile"`
}

// Run makes a schedule smaller while it still fails.
func (c shrinkCmd) Run(ctx context.Context, log *slog.Logger) (err error) {
	s, err := loadStored(c.File)
	if err != nil {
		return err
	}
	if s.sim != nil {
		if !simFails(*s.sim) {
			return errors.New("the schedule does not fail")
		}
		return writeJSON(c.Out, sim.Shrink(*s.sim, simFails))
	}
	t, err := lay(ctx, log, c.Program, "")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, t.clear()) }()
	return writeJSON(c.Out, rig.Shrink(ctx, t.Config, *s.real, rig.Result.Failed))
}
