// Command fadeledger keeps the warranty ledger of a fleet of LFP home
// batteries: it takes telemetry in, counts cycles exactly once, and shows which
// units use up their warranty too fast or were charged too cold.
package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	// Sites have time zones; the machine may have no database of them.
	_ "time/tzdata"

	"fadeledger/analytics"
)

// version is set at build time with -ldflags "-X main.version=…".
var version = "development"

// cli lists the commands. Flags that several share are embedded in them.
type cli struct {
	Demo       demoCmd       `cmd:"" help:"Run everything in one process with an invented fleet whose telemetry goes through the broker."`
	Serve      serveCmd      `cmd:"" help:"Serve the pages and the API; with --embedded also the broker, the database and a worker."`
	Work       workCmd       `cmd:"" help:"Count deliveries from the broker into the database. Run as many as you like."`
	Register   registerCmd   `cmd:"" help:"Register models.yaml, sites.csv and units.csv with a running service."`
	Load       loadCmd       `cmd:"" help:"Send telemetry files to a running service; started again, it sends only what was not counted."`
	Count      countCmd      `cmd:"" help:"Count telemetry files offline and print each unit's ledger. Needs no service; samples from the future are not refused."`
	Held       heldCmd       `cmd:"" help:"List what is in quarantine, with the reason and what helps."`
	Release    releaseCmd    `cmd:"" help:"Bring entries back from quarantine, read by the profile that their collector has now."`
	Disputes   disputesCmd   `cmd:"" help:"List the instants at which versions of a unit's samples differ, so that none counts."`
	Settle     settleCmd     `cmd:"" help:"Choose the version that counts at an instant in dispute."`
	Correct    correctCmd    `cmd:"" help:"Replace the samples of a unit in a span of time."`
	Collectors collectorsCmd `cmd:"" help:"Set up collectors: which units they deliver, how they sign in."`
	People     peopleCmd     `cmd:"" help:"List people, and let those in again who cannot sign in. Works on the database itself."`
	Tokens     tokensCmd     `cmd:"" help:"Make and end the tokens of machines. Works on the database itself."`
	Trail      trailCmd      `cmd:"" help:"Check and write out the trail of who saw and changed what. Works on the database itself."`
	Simulate   simulateCmd   `cmd:"" help:"Write the telemetry of an invented fleet, and the truth about it."`
	Migrate    migrateCmd    `cmd:"" help:"Bring the database's schema up to date."`
	Version    versionCmd    `cmd:"" help:"Print the version."`
	Verbose    bool          `help:"Log more."`
}

// rightNames lists the rights for the help.
func rightNames() string {
	var b strings.Builder
	for i, r := range analytics.Rights {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(string(r))
	}
	return b.String()
}

type versionCmd struct{}

func (versionCmd) Run() error {
	_, err := fmt.Println(version)
	return err
}

// exitError ends the program with a code of its own after its message.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string { return e.err.Error() }
func (e *exitError) Unwrap() error { return e.err }

func main() {
	os.Exit(run(os.Args[1:]))
}

func run(args []string) int {
	var c cli
	parser, err := kong.New(&c, kong.Name("fadeledger"),
		kong.Description("The warranty ledger of a fleet of LFP home batteries."), kong.UsageOnError(),
		kong.Vars{"faults": faultNames, "rights": rightNames()})
	if err != nil {
		fmt.Fprintln(os.Stderr, "fadeledger:", err)
		return 1
	}
	command, err := parser.Parse(args)
	parser.FatalIfErrorf(err)
	level := slog.LevelInfo
	if c.Verbose {
		level = slog.LevelDebug
	}
	log := slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: level}))
	// The first signal ends the work in order, the second one at once.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	command.BindTo(ctx, (*context.Context)(nil))
	if err := command.Run(log); err != nil {
		fmt.Fprintln(os.Stderr, "fadeledger:", err)
		var exit *exitError
		if errors.As(err, &exit) {
			return exit.code
		}
		return 1
	}
	return 0
}
