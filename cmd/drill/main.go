// Command drill is the machine that tries to make the ledger wrong. It plays
// schedules of faults, simulated (sim) or against real processes (real, soak),
// and compares what comes out with a reference that shares no code with the
// service. A schedule is data: it follows from its seed, can be played again
// (replay) and made smaller while it still fails (shrink).
package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"

	"fadeledger/cmd/drill/rig"
)

type cli struct {
	Sim     simCmd    `cmd:"" help:"Play simulated schedules: the worker's and the transaction's own code over a broker and a database that exist only to fail."`
	Real    realCmd   `cmd:"" help:"Play schedules against real processes: broker, Postgres, workers and collectors behind proxies."`
	Soak    soakCmd   `cmd:"" help:"Kill one of two workers every second while a backfill and live deliveries are counted."`
	Replay  replayCmd `cmd:"" help:"Play a schedule from a file again."`
	Shrink  shrinkCmd `cmd:"" help:"Make a schedule that fails smaller, and write it."`
	Verbose bool      `help:"Log what happens."`
}

func main() {
	// The broker of a real schedule is a child process of this executable.
	rig.Child()
	os.Exit(run(os.Args[1:]))
}

// errFound: a schedule found something.
var errFound = errors.New("the ledger came out wrong")

func run(args []string) int {
	var c cli
	parser, err := kong.New(&c, kong.Name("drill"), kong.Description("Tries to make the ledger wrong."), kong.UsageOnError())
	if err != nil {
		fmt.Fprintln(os.Stderr, "drill:", err)
		return 1
	}
	command, err := parser.Parse(args)
	parser.FatalIfErrorf(err)
	log := slog.New(slog.DiscardHandler)
	if c.Verbose {
		log = slog.New(slog.NewTextHandler(os.Stderr, nil))
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	command.BindTo(ctx, (*context.Context)(nil))
	if err := command.Run(log); err != nil {
		fmt.Fprintln(os.Stderr, "drill:", err)
		return 1
	}
	return 0
}
