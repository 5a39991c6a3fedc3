package main

import (
	"bufio"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"fadeledger/analytics"
	"fadeledger/store"
	"fadeledger/store/privatepg"
	"fadeledger/web/access"
)

// console are the flags of commands that work on the database itself. Whoever
// can open it may do everything; what is done is in the trail as the console's.
type console struct {
	Database string `help:"Address of the database, postgres://…" env:"FADELEDGER_DATABASE_URL" placeholder:"URL"`
	Data     string `help:"Folder of a service that runs with --embedded, instead of the address." default:"fadeledger-data" env:"FADELEDGER_DATA" type:"path"`
}

// open gives the database, and a context whose principal is the console.
func (c console) open(ctx context.Context, log *slog.Logger) (context.Context, *store.DB, error) {
	address := c.Database
	if address == "" {
		var err error
		if address, err = privatepg.URLOf(filepath.Join(c.Data, "postgres")); err != nil {
			return ctx, nil, fmt.Errorf("find the database: %w, or name the database with --database", err)
		}
	}
	db, err := store.Open(ctx, address, log)
	if err != nil {
		return ctx, nil, err
	}
	return analytics.WithPrincipal(ctx, analytics.Service("console")), db, nil
}

// peopleCmd lists people and lets those in again who cannot sign in.
type peopleCmd struct {
	List    peopleListCmd    `cmd:"" help:"List who may sign in."`
	Recover peopleRecoverCmd `cmd:"" help:"Make a link by which somebody chooses a new password."`
	First   peopleFirstCmd   `cmd:"" help:"Make the link that makes the first administrator, as the first start does."`
}

type peopleListCmd struct{ console }

func (c peopleListCmd) Run(ctx context.Context, log *slog.Logger) error {
	ctx, db, err := c.open(ctx, log)
	if err != nil {
		return err
	}
	defer db.Close()
	people, err := db.People(ctx)
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "login\trole\torganisation\tname\tstate")
	for _, p := range people {
		state := "can sign in"
		switch {
		case p.DisabledAt != nil:
			state = "disabled"
		case !p.HasPassword && !p.HasIdentity:
			state = "invited"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", p.Login, p.Role, p.Organisation, p.Name, state)
	}
	return w.Flush()
}

type peopleRecoverCmd struct {
	console
	Login string `arg:"" help:"Whom the link is for."`
	At    string `help:"Address of the pages." default:"http://127.0.0.1:8080" env:"FADELEDGER_PUBLIC_URL" placeholder:"URL"`
}

func (c peopleRecoverCmd) Run(ctx context.Context, log *slog.Logger) error {
	ctx, db, err := c.open(ctx, log)
	if err != nil {
		return err
	}
	defer db.Close()
	people, err := db.People(ctx)
	if err != nil {
		return err
	}
	for _, p := range people {
		if !strings.EqualFold(p.Login, c.Login) {
			continue
		}
		now := time.Now()
		code, hash := access.NewCode()
		if err := db.AddCode(ctx, hash, analytics.Code{
			Kind: analytics.CodeRecovery, Person: p, MadeBy: "console",
			CreatedAt: analytics.InstantOf(now), ExpiresAt: analytics.InstantOf(now.Add(firstCodeHolds)),
		}); err != nil {
			return err
		}
		fmt.Printf("%s/welcome#%s\n", strings.TrimRight(c.At, "/"), code)
		fmt.Fprintf(os.Stderr, "this link lets %s choose a new password, once, until %s UTC\n", p.Login, now.Add(firstCodeHolds).UTC().Format("2006-01-02 15:04"))
		return nil
	}
	return fmt.Errorf("nobody has the login %s; fadeledger people list tells who there is", c.Login)
}

type peopleFirstCmd struct {
	console
	At string `help:"Address of the pages." default:"http://127.0.0.1:8080" env:"FADELEDGER_PUBLIC_URL" placeholder:"URL"`
}

func (c peopleFirstCmd) Run(ctx context.Context, log *slog.Logger) error {
	ctx, db, err := c.open(ctx, log)
	if err != nil {
		return err
	}
	defer db.Close()
	there, err := db.AnyAdministrator(ctx)
	if err != nil {
		return err
	}
	if there {
		return errors.New("there is an administrator already, who invites others; fadeledger people recover lets one in again who forgot the password")
	}
	return greet(ctx, db, strings.TrimRight(c.At, "/"))
}

// tokensCmd makes and ends what machines show to be let in.
type tokensCmd struct {
	New    tokensNewCmd    `cmd:"" help:"Make a token and print it; it is not kept and cannot be told again."`
	List   tokensListCmd   `cmd:"" help:"List tokens, without their text."`
	Revoke tokensRevokeCmd `cmd:"" help:"End a token at once."`
}

type tokensNewCmd struct {
	console
	Name         string            `arg:"" help:"What it is called in lists and in the trail."`
	Right        []analytics.Right `help:"What it may do; may be given several times. One of ${rights}." required:"" placeholder:"RIGHT"`
	Organisation string            `help:"Bounds what it sees to the sites of this installer." placeholder:"NAME"`
	Collector    string            `help:"The only collector that it delivers as." placeholder:"NAME"`
	Days         int               `help:"Days until it ends." default:"90"`
}

// longestToken is the most days that a token holds.
const longestToken = 400

func (c tokensNewCmd) Run(ctx context.Context, log *slog.Logger) error {
	if c.Days < 1 || c.Days > longestToken {
		return fmt.Errorf("a token holds 1 to %d days", longestToken)
	}
	ctx, db, err := c.open(ctx, log)
	if err != nil {
		return err
	}
	defer db.Close()
	secret, hash := access.NewToken()
	now := time.Now()
	t, err := db.AddToken(ctx, hash, analytics.Token{
		Name: c.Name, Rights: c.Right, Organisation: c.Organisation, Collector: c.Collector, MadeBy: "console",
		CreatedAt: analytics.InstantOf(now), ExpiresAt: analytics.InstantOf(now.AddDate(0, 0, c.Days)),
	})
	if err != nil {
		return err
	}
	fmt.Println(secret)
	fmt.Fprintf(os.Stderr, "token %d holds until %s; this is the only time that its text is told\n", t.ID, t.ExpiresAt.Time().Format(time.DateOnly))
	return nil
}

type tokensListCmd struct{ console }

func (c tokensListCmd) Run(ctx context.Context, log *slog.Logger) error {
	ctx, db, err := c.open(ctx, log)
	if err != nil {
		return err
	}
	defer db.Close()
	tokens, err := db.Tokens(ctx)
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "id\tname\trights\torganisation\tcollector\tuntil\tlast used\tstate")
	for _, t := range tokens {
		var rights []string
		for _, r := range t.Rights {
			rights = append(rights, string(r))
		}
		used, state := "never", "valid"
		if t.LastUsedAt != nil {
			used = t.LastUsedAt.Time().Format("2006-01-02 15:04")
		}
		switch {
		case t.RevokedAt != nil:
			state = "revoked"
		case t.ExpiresAt < analytics.InstantOf(time.Now()):
			state = "over"
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", t.ID, t.Name, strings.Join(rights, " "), t.Organisation, t.Collector,
			t.ExpiresAt.Time().Format(time.DateOnly), used, state)
	}
	return w.Flush()
}

type tokensRevokeCmd struct {
	console
	ID int64 `arg:"" help:"The token's id, as listed."`
}

func (c tokensRevokeCmd) Run(ctx context.Context, log *slog.Logger) error {
	ctx, db, err := c.open(ctx, log)
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.RevokeToken(ctx, c.ID); err != nil {
		return fmt.Errorf("revoke token %d: %w", c.ID, err)
	}
	fmt.Printf("token %d is revoked\n", c.ID)
	return nil
}

// trailCmd looks after the trail of who saw and changed what.
type trailCmd struct {
	Verify trailVerifyCmd `cmd:"" help:"Add the whole chain up again. Ends with code 1 where something is wrong."`
	Export trailExportCmd `cmd:"" help:"Write all entries as lines of JSON."`
}

type trailVerifyCmd struct {
	console
	Was []string `help:"The end of the trail as an earlier look printed it, NUMBER:HASH; shows that nothing before it was cut off or written anew. May be given several times." placeholder:"END"`
}

func (c trailVerifyCmd) Run(ctx context.Context, log *slog.Logger) error {
	heads := make([]analytics.TrailHead, len(c.Was))
	for i, text := range c.Was {
		number, hash, ok := strings.Cut(text, ":")
		n, err := strconv.ParseInt(number, 10, 64)
		b, hexErr := hex.DecodeString(hash)
		if !ok || err != nil || hexErr != nil || len(b) != len(heads[i].Hash) {
			return fmt.Errorf("%q is no end of a trail: give the number, a colon and 64 hexadecimal digits, as printed", text)
		}
		heads[i] = analytics.TrailHead{Number: n, Hash: [32]byte(b)}
	}
	ctx, db, err := c.open(ctx, log)
	if err != nil {
		return err
	}
	defer db.Close()
	check, err := db.CheckTrail(ctx, heads)
	if err != nil {
		return err
	}
	for _, f := range check.Faults {
		fmt.Println(f)
	}
	fmt.Printf("%d entries; the trail ends at %d:%x\n", check.Entries, check.Head.Number, check.Head.Hash)
	if len(check.Faults) > 0 {
		return errors.New("the trail is not whole")
	}
	if len(heads) == 0 {
		fmt.Fprintln(os.Stderr, "note the end elsewhere and give it next time with --was: without an earlier end a trail that was cut or written anew looks whole")
	}
	return nil
}

type trailExportCmd struct {
	console
	From int64 `help:"Number to begin with." default:"1"`
}

func (c trailExportCmd) Run(ctx context.Context, log *slog.Logger) error {
	ctx, db, err := c.open(ctx, log)
	if err != nil {
		return err
	}
	defer db.Close()
	out := bufio.NewWriter(os.Stdout)
	if err := db.TrailEntries(ctx, c.From, func(e analytics.TrailEntry) error {
		line, err := json.Marshal(map[string]any{
			"entry": json.RawMessage(e.Body), "previous": hex.EncodeToString(e.Previous[:]), "hash": hex.EncodeToString(e.Hash[:]),
		})
		if err == nil {
			_, err = out.Write(append(line, '\n'))
		}
		return err
	}); err != nil {
		return err
	}
	return out.Flush()
}
