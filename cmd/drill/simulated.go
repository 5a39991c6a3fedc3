package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"fadeledger/cmd/drill/sim"
)

type simCmd struct {
	N        int    `short:"n" help:"How many schedules." default:"2000"`
	From     uint64 `help:"First seed." default:"1"`
	Failures string `help:"Folder for the schedules that fail, made as small as they get." default:"drill-failures" type:"path"`
}

// chunk is how many schedules are played between two looks at the context.
const chunk = 500

// Run plays simulated schedules.
func (c simCmd) Run(ctx context.Context) error {
	began := time.Now()
	failed := 0
	for done := 0; done < c.N && ctx.Err() == nil; {
		n := min(chunk, c.N-done)
		for _, f := range sim.Many(c.From+uint64(done), n, nil) {
			failed++
			path, err := c.keep(f)
			if err != nil {
				return err
			}
			fmt.Printf("\nseed %d: %s\n  %s\n", f.Seed, f.Trouble[0], path)
		}
		done += n
		fmt.Fprintf(os.Stderr, "\r%d of %d schedules, %d failed, %.0f a second ", done, c.N, failed, float64(done)/time.Since(began).Seconds())
	}
	fmt.Fprintln(os.Stderr)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	fmt.Printf("%d simulated schedules from seed %d in %s: %d failed\n", c.N, c.From, time.Since(began).Round(time.Second), failed)
	if failed > 0 {
		return errFound
	}
	return nil
}

// keep writes the smallest schedule that still fails.
func (c simCmd) keep(f sim.Failure) (string, error) {
	s := sim.Shrink(sim.Random(f.Seed), simFails)
	path := filepath.Join(c.Failures, fmt.Sprintf("sim-%d.json", f.Seed))
	return path, writeJSON(path, s)
}

func simFails(s sim.Schedule) bool { return sim.Run(s).Failed() }

func writeJSON(path string, v any) error {
	b, err := json.MarshalIndent(v, "", "  ")
	if err == nil {
		err = os.MkdirAll(filepath.Dir(path), 0o755)
	}
	if err == nil {
		err = os.WriteFile(path, append(b, '\n'), 0o644)
	}
	if err != nil {
		return fmt.Errorf("keep schedule: %w", err)
	}
	return nil
}
