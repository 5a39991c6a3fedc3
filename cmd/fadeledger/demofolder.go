package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"fadeledger/analytics"
)

// readState reads what a demo left in a folder; nil says that there is nothing
// yet. A folder that holds anything else is refused.
func readState(data string) (*demoState, error) {
	mark := filepath.Join(data, demoMark)
	b, err := os.ReadFile(mark)
	if err == nil {
		state := &demoState{}
		if err := json.Unmarshal(b, state); err != nil {
			return nil, fmt.Errorf("read %s: %w; --fresh begins anew", mark, err)
		}
		if state.Live == nil {
			state.Live = map[string]analytics.Instant{}
		}
		return state, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read demo state: %w", err)
	}
	entries, err := os.ReadDir(data)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("look into %s: %w", data, err)
	}
	if len(entries) > 0 {
		return nil, notDemo(data)
	}
	return nil, nil
}

func notDemo(data string) error {
	return fmt.Errorf("%s is not empty and no demo's folder, since it holds no %s: it is left alone; give the demo a folder of its own with --data", data, demoMark)
}

// refuseDemoFolder keeps a real ledger out of a demo's folder, which the demo
// may throw away.
func refuseDemoFolder(data string) error {
	if _, err := os.Stat(filepath.Join(data, demoMark)); err == nil {
		return fmt.Errorf("%s is a demo's folder: its fleet is invented, and demo --fresh throws it away; choose another with --data", data)
	}
	return nil
}

// removeDemo throws a demo's folder away, and no other, and none in use.
func removeDemo(data string) error {
	entries, err := os.ReadDir(data)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(entries) == 0 {
		return nil
	}
	if err != nil {
		return fmt.Errorf("look into %s: %w", data, err)
	}
	if _, err := os.Stat(filepath.Join(data, demoMark)); err != nil {
		return notDemo(data)
	}
	release, err := claim(data)
	if err != nil {
		return err
	}
	defer release()
	if err := os.RemoveAll(data); err != nil {
		return fmt.Errorf("throw the demo away: %w", err)
	}
	return nil
}

// claim takes the locks that database and broker hold on their parts of a
// folder while they run, until release.
func claim(data string) (release func(), err error) {
	var held []*os.File
	release = func() {
		for _, f := range held {
			f.Close()
		}
	}
	for _, name := range []string{"postgres.lock", "broker/broker.lock"} {
		f, err := os.OpenFile(filepath.Join(data, name), os.O_RDWR, 0)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err == nil {
			held = append(held, f)
			err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		}
		if err != nil {
			release()
			if errors.Is(err, syscall.EWOULDBLOCK) {
				return nil, fmt.Errorf("%s is in use by another fadeledger: stop that one first", data)
			}
			return nil, fmt.Errorf("lock %s: %w", filepath.Join(data, name), err)
		}
	}
	return release, nil
}

func writeState(path string, state *demoState) error {
	b, err := json.MarshalIndent(state, "", "  ")
	if err == nil {
		err = os.WriteFile(path+".new", b, 0o644)
	}
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		return fmt.Errorf("keep demo state: %w", err)
	}
	return nil
}
