package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fadeledger/ingest"
	"fadeledger/ingest/broker"
	"fadeledger/migrations"
	"fadeledger/store"
	"fadeledger/store/privatepg"
)

// dependencies are the flags that name a database and a broker.
type dependencies struct {
	Database string `help:"Address of the database, postgres://… With the owner's name the schema is brought up to date; fadeledger_web and fadeledger_worker are enough for serve and work once it is." env:"FADELEDGER_DATABASE_URL" placeholder:"URL"`
	Broker   string `help:"Address of the broker, nats://…" env:"FADELEDGER_BROKER_URL" placeholder:"URL"`
	security
	Replicas int `help:"Number of broker servers that hold the stream." env:"FADELEDGER_REPLICAS" default:"1"`
}

// security are the flags that secure the way to a broker elsewhere.
type security struct {
	BrokerCA          string `name:"broker-ca" help:"Certificates (PEM) that the broker's is checked by, instead of those of the machine; the address begins with tls://." env:"FADELEDGER_BROKER_CA" placeholder:"FILE"`
	BrokerCert        string `name:"broker-client-cert" help:"Certificate (PEM) to show to the broker." env:"FADELEDGER_BROKER_CLIENT_CERT" placeholder:"FILE"`
	BrokerKey         string `name:"broker-client-key" help:"Its key." env:"FADELEDGER_BROKER_CLIENT_KEY" placeholder:"FILE"`
	BrokerCredentials string `name:"broker-credentials" help:"Credentials file of a broker with accounts of its own." env:"FADELEDGER_BROKER_CREDENTIALS" placeholder:"FILE"`
}

func (s security) options() ([]nats.Option, error) {
	return broker.Security{Authorities: s.BrokerCA, Certificate: s.BrokerCert, Key: s.BrokerKey, Credentials: s.BrokerCredentials}.Options()
}

// services are what a process works with. Close ends them in the reverse order
// of their start.
type services struct {
	// db counts, as a worker; web answers for whoever asks. Either is nil where
	// the process has no need of it.
	db        *store.DB
	web       *store.DB
	nc        *nats.Conn
	js        jetstream.JetStream
	stream    jetstream.Stream
	embedded  *broker.Embedded // nil for an external broker
	publisher *broker.Publisher
	identity  string
	log       *slog.Logger
	closers   []func(context.Context)
	// worker is the one that runs in this process, nil for none.
	worker atomic.Pointer[ingest.Worker]
	// databaseEnded is closed when the private database has ended; nil
	// without one.
	databaseEnded <-chan struct{}
}

// watch ends with an error when the private database ends by itself: without it
// nothing works, and whoever started this process can start it again.
func (s *services) watch(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return nil
	case <-s.databaseEnded:
		return errors.New("the private database has ended by itself; start again, which recovers it, and look for the cause above")
	}
}

// closeTimeout bounds an orderly end.
const closeTimeout = 30 * time.Second

func (s *services) onClose(f func(context.Context)) { s.closers = append(s.closers, f) }

// Close ends everything, whatever became of the context of the work.
func (s *services) Close() {
	ctx, cancel := context.WithTimeout(context.Background(), closeTimeout)
	defer cancel()
	for i := len(s.closers) - 1; i >= 0; i-- {
		s.closers[i](ctx)
	}
	s.closers = nil
}

// connect uses a database and a broker that run elsewhere.
func (d dependencies) connect(ctx context.Context, log *slog.Logger, as store.As) (*services, error) {
	if d.Database == "" || d.Broker == "" {
		return nil, errors.New("name the database with --database and the broker with --broker, or run serve --embedded, which brings both")
	}
	s := &services{log: log}
	options, err := d.options()
	if err != nil {
		return nil, err
	}
	nc, err := reachBroker(ctx, log, d.Broker, "fadeledger "+string(as), options...)
	if err != nil {
		return nil, err
	}
	s.onClose(func(context.Context) { nc.Close() })
	if err := reachDatabase(ctx, log, d.Database); err != nil {
		s.Close()
		return nil, err
	}
	return s.open(ctx, d.Database, nc, broker.Config{Replicas: d.Replicas}, 1, as)
}

// doors are the addresses on which an embedded broker takes collectors, each by
// a login of its own.
type doors struct {
	BrokerListen string `help:"Address on which the embedded broker takes collectors over NATS; none takes them over HTTP only." env:"FADELEDGER_BROKER_LISTEN" placeholder:"ADDR"`
	MQTTListen   string `name:"mqtt-listen" help:"Address on which the embedded broker takes collectors over MQTT 3.1.1." env:"FADELEDGER_MQTT_LISTEN" placeholder:"ADDR"`
	BrokerCert   string `name:"broker-tls-cert" help:"Certificate (PEM) of both; read again when it changes. Without one they stay on this machine, unless --plain-http allows more." env:"FADELEDGER_BROKER_TLS_CERT" placeholder:"FILE"`
	BrokerKey    string `name:"broker-tls-key" help:"Its key." env:"FADELEDGER_BROKER_TLS_KEY" placeholder:"FILE"`
}

// tls gives what clients of both addresses have to speak, nil for nothing.
func (d doors) tls(plain bool, log *slog.Logger) (*tls.Config, error) {
	if (d.BrokerCert == "") != (d.BrokerKey == "") {
		return nil, errors.New("--broker-tls-cert and --broker-tls-key go together")
	}
	if d.BrokerCert != "" {
		return serverTLS(d.BrokerCert, d.BrokerKey, log)
	}
	for _, address := range []string{d.BrokerListen, d.MQTTListen} {
		if address != "" && !plain && !loopback(address) {
			return nil, fmt.Errorf("collectors would send their passwords to %s in the clear: give a certificate with --broker-tls-cert and --broker-tls-key, or say --plain-http where the network is closed", address)
		}
	}
	return nil, nil
}

// embed starts a private database and a broker in the data directory. A given
// database is used instead of the private one.
func embed(ctx context.Context, log *slog.Logger, data string, doors doors, plain bool, database string) (*services, error) {
	s := &services{log: log}
	secure, err := doors.tls(plain, log)
	if err != nil {
		return nil, err
	}
	data, err = filepath.Abs(data)
	if err != nil {
		return nil, fmt.Errorf("data directory: %w", err)
	}
	// Postgres runs as another user when this process is root.
	if err := os.MkdirAll(data, 0o755); err != nil {
		return nil, fmt.Errorf("make data directory: %w", err)
	}
	if database == "" {
		server, err := privatepg.Start(ctx, privatepg.Config{
			DataDir: filepath.Join(data, "postgres"), Durable: true, Logger: quieter(log),
		})
		if err != nil {
			return nil, fmt.Errorf("start the private database: %w", err)
		}
		s.onClose(func(ctx context.Context) {
			if err := server.Stop(ctx); err != nil {
				log.Warn("database stopped late", "err", err)
			}
		})
		database, s.databaseEnded = server.URL(), server.Done()
	}
	embedded, err := broker.StartEmbedded(ctx, broker.EmbeddedConfig{
		DataDir: filepath.Join(data, "broker"), Listen: doors.BrokerListen, MQTT: doors.MQTTListen, TLS: secure, Logger: quieter(log),
		// Nobody until the database says who.
		Logins: []broker.Login{},
	})
	if err != nil {
		s.Close()
		return nil, fmt.Errorf("start the broker: %w", err)
	}
	s.embedded = embedded
	s.onClose(func(ctx context.Context) {
		if err := embedded.Shutdown(ctx); err != nil {
			log.Warn("broker stopped late", "err", err)
		}
	})
	nc, err := embedded.Connect(ctx)
	if err != nil {
		s.Close()
		return nil, fmt.Errorf("connect to the broker: %w", err)
	}
	s.onClose(func(context.Context) { nc.Close() })
	return s.open(ctx, database, nc, broker.Config{MaxBytes: embedded.StreamBytes()}, broker.DefaultBatchMessages, store.ForWorker, store.ForWeb)
}

// quieter keeps the chatter of servers out of the program's own log.
func quieter(log *slog.Logger) *slog.Logger {
	if log.Enabled(context.Background(), slog.LevelDebug) {
		return log
	}
	return slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
}

// open brings the database up to date, opens it for what the process does, and
// makes sure of the stream.
func (s *services) open(ctx context.Context, database string, nc *nats.Conn, cfg broker.Config, batch int, as ...store.As) (*services, error) {
	err := func() error {
		err := patiently(ctx, s.log, "bringing the database up to date", func() error { return migrate(ctx, database, s.log) })
		if err != nil {
			return err
		}
		for _, as := range as {
			if err := s.openDatabase(ctx, database, as); err != nil {
				return err
			}
		}
		s.nc = nc
		if s.js, err = jetstream.New(nc); err != nil {
			return fmt.Errorf("use JetStream: %w", err)
		}
		if err := patiently(ctx, s.log, "setting up the stream", func() error { return s.ensureStream(ctx, cfg) }); err != nil {
			return err
		}
		publishing := broker.PublisherConfig{Logger: s.log, BatchMessages: batch}
		if s.embedded != nil {
			publishing.Health = func(ctx context.Context) error { return broker.Healthy(ctx, s.stream, s.embedded) }
		}
		s.publisher, err = broker.NewPublisher(nc, publishing)
		return err
	}()
	if err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

// openDatabase opens the database for one kind of work.
func (s *services) openDatabase(ctx context.Context, address string, as store.As) error {
	if s.databaseEnded != nil {
		// The private database lets every role in that comes over its socket.
		u, err := url.Parse(address)
		if err != nil {
			return fmt.Errorf("address of the private database: %w", err)
		}
		q := u.Query()
		q.Set("user", "fadeledger_"+string(as))
		u.RawQuery = q.Encode()
		address = u.String()
	}
	return patiently(ctx, s.log, "opening the database", func() error {
		db, err := store.OpenAs(ctx, address, s.log, as)
		if err != nil {
			return err
		}
		s.onClose(func(context.Context) { db.Close() })
		if as == store.ForWeb {
			s.web = db
		} else {
			s.db = db
		}
		return nil
	})
}

func (s *services) ensureStream(ctx context.Context, cfg broker.Config) (err error) {
	if !s.nc.IsConnected() {
		return errBrokerAway
	}
	if s.stream, err = broker.EnsureStream(ctx, s.js, cfg); err == nil {
		s.identity, err = broker.Identity(ctx, s.stream)
	}
	if err != nil && !s.nc.IsConnected() {
		return fmt.Errorf("%w: %w", errBrokerAway, err)
	}
	if err != nil {
		return fmt.Errorf("make sure of the stream: %w", err)
	}
	return nil
}

// migrate brings the schema up to date. A role that may not do that only has to
// find it so.
func migrate(ctx context.Context, database string, log *slog.Logger) error {
	pool, err := pgxpool.New(ctx, database)
	if err != nil {
		return fmt.Errorf("open database: %w", err)
	}
	defer pool.Close()
	limited, err := store.Limited(ctx, pool)
	if err != nil {
		return fmt.Errorf("open database: %w", err)
	}
	if !limited {
		if _, err := migrations.Up(ctx, pool, quieter(log)); err != nil {
			return fmt.Errorf("migrate database: %w", err)
		}
		return nil
	}
	v, err := migrations.Version(ctx, pool)
	if err != nil {
		return fmt.Errorf("read the schema's version: %w", err)
	}
	if v.Current != v.Latest {
		return fmt.Errorf("the schema is at version %d and this program is made for %d: run fadeledger migrate with the address of the schema's owner", v.Current, v.Latest)
	}
	return nil
}

type migrateCmd struct {
	Database           string `help:"Address of the database as the owner of the schema, postgres://…" env:"FADELEDGER_DATABASE_URL" required:"" placeholder:"URL"`
	WebPasswordFile    string `help:"File with a password for fadeledger_web, the role that serve signs in as; or its text in FADELEDGER_WEB_PASSWORD." env:"FADELEDGER_WEB_PASSWORD_FILE" placeholder:"FILE"`
	WorkerPasswordFile string `help:"The same for fadeledger_worker, the role of work; or FADELEDGER_WORKER_PASSWORD." env:"FADELEDGER_WORKER_PASSWORD_FILE" placeholder:"FILE"`
}

// Run brings the schema up to date and sets the passwords that are given.
func (c migrateCmd) Run(ctx context.Context, log *slog.Logger) error {
	if err := migrate(ctx, c.Database, log); err != nil {
		return err
	}
	pool, err := pgxpool.New(ctx, c.Database)
	if err != nil {
		return fmt.Errorf("open database: %w", err)
	}
	defer pool.Close()
	for _, p := range []struct {
		as        store.As
		file, env string
	}{
		{store.ForWeb, c.WebPasswordFile, "FADELEDGER_WEB_PASSWORD"},
		{store.ForWorker, c.WorkerPasswordFile, "FADELEDGER_WORKER_PASSWORD"},
	} {
		password, err := secretOf(p.file, p.env)
		if err != nil {
			return err
		}
		if password == "" {
			continue
		}
		if err := store.SetRolePassword(ctx, pool, p.as, password); err != nil {
			return err
		}
	}
	return nil
}

// secretOf reads a secret from a file or, without one, from the environment. It
// is never a flag: other users of the machine can see those.
func secretOf(file, env string) (string, error) {
	if file == "" {
		return strings.TrimSpace(os.Getenv(env)), nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("read a secret: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}
