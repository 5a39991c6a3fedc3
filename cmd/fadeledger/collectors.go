package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	"fadeledger/ingest/broker"
)

// collectorsCmd sets collectors up.
type collectorsCmd struct {
	List         collectorsListCmd   `cmd:"" help:"List collectors: which units each may deliver, and what it delivered."`
	Set          collectorsSetCmd    `cmd:"" help:"Say which units a collector may deliver."`
	Bind         collectorsBindCmd   `cmd:"" help:"Bind units to a collector."`
	Free         collectorsFreeCmd   `cmd:"" help:"Let units go that are bound to a collector."`
	Asking       collectorsAskingCmd `cmd:"" help:"List the units that first-come collectors deliver and that wait for approval."`
	Approve      collectorsYesCmd    `cmd:"" help:"Bind units to the collector that asks for them, and count what waits."`
	Refuse       collectorsNoCmd     `cmd:"" help:"Leave in quarantine what a collector asks for."`
	Login        collectorsLoginCmd  `cmd:"" help:"Add, list and drop what a collector signs in to the broker with."`
	BrokerConfig brokerConfigCmd     `cmd:"" help:"Write the users of a broker that runs elsewhere, to be included in its configuration. Works on the database itself."`
	BrokerHash   brokerHashCmd       `cmd:"" help:"Read a password from the standard input and write its hash, for broker-config."`
}

// named names a collector.
type named struct {
	server
	Name string `arg:"" help:"Collector."`
}

func (c named) path(below string) string {
	return "/api/v1/collectors/" + url.PathEscape(c.Name) + below
}

// send asks for a change of the collector.
func (c named) send(ctx context.Context, method, below string, body, out any) error {
	b, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("write the request: %w", err)
	}
	return c.call(ctx, method, c.path(below), map[string]string{"Content-Type": "application/json"}, b, out)
}

type loginAnswer struct {
	User      string
	MadeBy    string    `json:"made_by"`
	CreatedAt time.Time `json:"created_at"`
}

type collectorAnswer struct {
	Name, Taking              string
	Prefixes                  []string
	Bound, Asking, Deliveries int64
	LastStored                *time.Time `json:"last_stored"`
	Logins                    []loginAnswer
}

type collectorsListCmd struct{ server }

// Run lists collectors.
func (c collectorsListCmd) Run(ctx context.Context) error {
	var answer struct{ Collectors []collectorAnswer }
	if err := c.call(ctx, http.MethodGet, "/api/v1/collectors", nil, nil, &answer); err != nil {
		return fmt.Errorf("list collectors: %w", err)
	}
	w := tabwriter.NewWriter(os.Stdout, 0, 8, 2, ' ', 0)
	fmt.Fprintln(w, "COLLECTOR\tTAKING\tPREFIXES\tBOUND\tASKING\tLOGINS\tDELIVERIES\tLAST STORED")
	for _, x := range answer.Collectors {
		taking, last := x.Taking, "never"
		if taking == "" {
			taking = "not set up"
		}
		if x.LastStored != nil {
			last = x.LastStored.Format(time.RFC3339)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%d\t%d\t%d\t%s\n", x.Name, taking, strings.Join(x.Prefixes, " "), x.Bound, x.Asking, len(x.Logins), x.Deliveries, last)
	}
	return w.Flush()
}

type collectorsSetCmd struct {
	named
	Taking string   `help:"bound: units bound to it and those of its prefixes; first-come: the same, and what else it delivers asks for approval; any: every unit." enum:"any,bound,first-come" required:""`
	Prefix []string `help:"Beginning of serials that are its own; may be given several times." placeholder:"P" sep:"none"`
}

// Run sets up a collector.
func (c collectorsSetCmd) Run(ctx context.Context) error {
	if err := c.send(ctx, http.MethodPut, "", map[string]any{"taking": c.Taking, "prefixes": append([]string{}, c.Prefix...)}, nil); err != nil {
		return fmt.Errorf("set up collector %s: %w", c.Name, err)
	}
	_, err := fmt.Printf("collector %s is set up: taking %s, %d prefixes\n", c.Name, c.Taking, len(c.Prefix))
	return err
}

// ofUnits names units and a collector.
type ofUnits struct {
	named
	Units []string `arg:"" name:"serial" help:"Serial numbers."`
}

// tell sends a change of units and says what was done.
func (c ofUnits) tell(ctx context.Context, below, key string, value bool, done string) error {
	if err := c.send(ctx, http.MethodPost, below, map[string]any{"units": c.Units, key: value}, nil); err != nil {
		return fmt.Errorf("collector %s: %w", c.Name, err)
	}
	units := fmt.Sprintf("%d units", len(c.Units))
	if len(c.Units) == 1 {
		units = "1 unit"
	}
	_, err := fmt.Printf(done+"\n", units, c.Name)
	return err
}

type collectorsBindCmd struct{ ofUnits }

// Run binds units.
func (c collectorsBindCmd) Run(ctx context.Context) error {
	return c.tell(ctx, "/units", "bind", true, "%s bound to %s")
}

type collectorsFreeCmd struct{ ofUnits }

// Run lets units go.
func (c collectorsFreeCmd) Run(ctx context.Context) error {
	return c.tell(ctx, "/units", "bind", false, "%s let go by %s")
}

type collectorsYesCmd struct{ ofUnits }

// Run approves.
func (c collectorsYesCmd) Run(ctx context.Context) error {
	return c.tell(ctx, "/asking", "approve", true, "%s bound to %s; what waits of them is counted within some seconds")
}

type collectorsNoCmd struct{ ofUnits }

// Run refuses.
func (c collectorsNoCmd) Run(ctx context.Context) error {
	return c.tell(ctx, "/asking", "approve", false, "%s refused to %s; what waits of them stays in quarantine")
}

type collectorsAskingCmd struct{ server }

// Run lists what collectors ask for.
func (c collectorsAskingCmd) Run(ctx context.Context) error {
	var answer struct {
		Asking []struct {
			Unit, Collector string
			FirstAt         time.Time `json:"first_at"`
			LastAt          time.Time `json:"last_at"`
			Samples         int64
			Others          []string
		}
	}
	if err := c.call(ctx, http.MethodGet, "/api/v1/asking?limit=1000", nil, nil, &answer); err != nil {
		return fmt.Errorf("list what collectors ask for: %w", err)
	}
	if len(answer.Asking) == 0 {
		_, err := fmt.Println("nothing waits for approval")
		return err
	}
	w := tabwriter.NewWriter(os.Stdout, 0, 8, 2, ' ', 0)
	fmt.Fprintln(w, "UNIT\tCOLLECTOR\tSAMPLES\tFIRST\tLAST\tBOUND TO")
	for _, x := range answer.Asking {
		fmt.Fprintf(w, "%s\t%s\t%d\t%s\t%s\t%s\n", x.Unit, x.Collector, x.Samples, x.FirstAt.Format(time.RFC3339), x.LastAt.Format(time.RFC3339), strings.Join(x.Others, " "))
	}
	return w.Flush()
}

type collectorsLoginCmd struct {
	Add  loginAddCmd  `cmd:"" help:"Add a login and print its password, this once."`
	List loginListCmd `cmd:"" help:"List the logins of a collector."`
	Drop loginDropCmd `cmd:"" help:"End a login and its connections."`
}

type loginAddCmd struct{ named }

// Run adds a login. Where an answer was lost another one is made; the lost one,
// whose password nobody knows, shows in the list and can be dropped.
func (c loginAddCmd) Run(ctx context.Context) error {
	var made struct{ User, Password string }
	if err := c.send(ctx, http.MethodPost, "/logins", map[string]any{}, &made); err != nil {
		return fmt.Errorf("add a login of collector %s: %w", c.Name, err)
	}
	_, err := fmt.Printf("user: %s\npassword: %s\nthe password is told this once\n", made.User, made.Password)
	return err
}

type loginListCmd struct{ named }

// Run lists logins.
func (c loginListCmd) Run(ctx context.Context) error {
	var answer collectorAnswer
	if err := c.call(ctx, http.MethodGet, c.path(""), nil, nil, &answer); err != nil {
		return fmt.Errorf("show collector %s: %w", c.Name, err)
	}
	w := tabwriter.NewWriter(os.Stdout, 0, 8, 2, ' ', 0)
	fmt.Fprintln(w, "USER\tMADE BY\tMADE")
	for _, l := range answer.Logins {
		fmt.Fprintf(w, "%s\t%s\t%s\n", l.User, l.MadeBy, l.CreatedAt.Format(time.RFC3339))
	}
	return w.Flush()
}

type loginDropCmd struct {
	server
	User string `arg:"" help:"User of the login, as the command list tells it."`
}

// Run drops a login.
func (c loginDropCmd) Run(ctx context.Context) error {
	collector, err := broker.CollectorOfUser(c.User)
	if err != nil {
		return err
	}
	of := named{c.server, collector}
	if err := c.call(ctx, http.MethodDelete, of.path("/logins/"+url.PathEscape(c.User)), nil, nil, nil); err != nil {
		return fmt.Errorf("drop login %s: %w", c.User, err)
	}
	_, err = fmt.Printf("login %s is ended; its connections are cut off within some seconds\n", c.User)
	return err
}

// brokerConfigCmd writes the users of another broker. The hashes of passwords
// do not go over HTTP, so it reads the database.
type brokerConfigCmd struct {
	console
	Service         string `help:"User of the service itself, who may do everything." default:"fadeledger"`
	ServiceHashFile string `help:"File with the hash of the service's password, as broker-hash writes it; or its text in FADELEDGER_BROKER_SERVICE_HASH." env:"FADELEDGER_BROKER_SERVICE_HASH_FILE" placeholder:"FILE"`
}

// Run writes the authorization block to the standard output.
func (c brokerConfigCmd) Run(ctx context.Context, log *slog.Logger) error {
	hash, err := secretOf(c.ServiceHashFile, "FADELEDGER_BROKER_SERVICE_HASH")
	if err != nil {
		return err
	}
	if hash == "" {
		return errors.New("the service signs in to the broker, too: give the hash of its password with --service-hash-file; fadeledger collectors broker-hash makes one")
	}
	ctx, db, err := c.open(ctx, log)
	if err != nil {
		return err
	}
	defer db.Close()
	logins, err := brokerLogins(ctx, db)
	if err != nil {
		return err
	}
	return broker.WriteAuthorization(os.Stdout, c.Service, hash, logins)
}

type brokerHashCmd struct{}

// longestPassword is what bcrypt takes in bytes.
const longestPassword = 72

// Run writes the hash of the password on the first line of the input.
func (brokerHashCmd) Run() error {
	b, err := io.ReadAll(io.LimitReader(os.Stdin, longestPassword+2))
	if err != nil {
		return fmt.Errorf("read the password: %w", err)
	}
	line, _, _ := bytes.Cut(b, []byte{'\n'})
	hash, err := broker.HashPassword(string(bytes.TrimRight(line, "\r")))
	if err != nil {
		return err
	}
	_, err = fmt.Println(hash)
	return err
}
