package main

import (
	"fmt"
	"os"
	"time"

	"golang.org/x/term"
)

// progress shows how far long work has come: a line that renews itself on a
// terminal, else a line now and then.
type progress struct {
	name     string
	total    int64
	done     int64
	began    time.Time
	shown    time.Time
	terminal bool
	ended    bool
}

func newProgress(name string, total int64) *progress {
	return &progress{name: name, total: total, began: time.Now(), terminal: term.IsTerminal(int(os.Stderr.Fd()))}
}

// at shows that the work has come to a place.
func (p *progress) at(done int64) {
	p.done = done
	pause := 5 * time.Second
	if p.terminal {
		pause = 200 * time.Millisecond
	}
	if time.Since(p.shown) < pause {
		return
	}
	p.shown = time.Now()
	p.show()
}

func (p *progress) show() {
	percent := 100.0
	if p.total > 0 {
		percent = min(100, 100*float64(p.done)/float64(p.total))
	}
	end := "\n"
	if p.terminal {
		end = "\r"
	}
	fmt.Fprintf(os.Stderr, "%s: %5.1f %% after %s   %s", p.name, percent, time.Since(p.began).Round(time.Second), end)
}

// end shows the whole, once.
func (p *progress) end() {
	if p.ended {
		return
	}
	p.ended = true
	p.show()
	if p.terminal {
		fmt.Fprintln(os.Stderr)
	}
}
