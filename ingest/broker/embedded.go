package broker

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strconv"
	"sync"
	"syscall"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"golang.org/x/crypto/bcrypt"
)

// SyncPolicy says when the embedded server brings what it stored to the disk.
type SyncPolicy int

const (
	// SyncAlways syncs before a publish is acknowledged: what was acknowledged
	// survives a power loss. Publishing in batches pays for it.
	SyncAlways SyncPolicy = iota
	// SyncLater syncs every two minutes: a killed process loses nothing, a
	// crashed machine may lose the deliveries acknowledged since. Collectors
	// that keep their files until these are counted can send them again.
	SyncLater
)

// EmbeddedConfig configures a server inside this process. DataDir and Logger
// are required, the rest has useful zero values.
type EmbeddedConfig struct {
	// DataDir is made if absent, with access for the owner only. It belongs
	// to the broker alone.
	DataDir string
	// Listen is the host:port for clients of other processes, port 0 for any;
	// empty means that only this process connects. Without TLS listen on a
	// loopback address or a closed network: passwords go in the clear.
	Listen string
	// MQTT is the host:port for MQTT 3.1.1 publishers, empty for none.
	MQTT string
	// TLS, if not nil, is what clients of both addresses have to speak. Its
	// GetCertificate may give another certificate as time goes by.
	TLS *tls.Config
	// Logins are the collectors that may connect. Nil lets everyone who
	// reaches an address do everything, which suits a trial on one machine;
	// empty lets nobody in until SetLogins.
	Logins []Login
	Logger *slog.Logger
	Sync   SyncPolicy
	// MaxStore bounds the bytes of all streams; 0 means half of the file
	// system that DataDir is on, since a database may share it.
	MaxStore int64
	// DiskCheck is how often the room on the disk is looked at, so that a
	// stream is full before its disk is: 0 means twenty times a second, less than 0
	// never.
	DiskCheck time.Duration
}

// Embedded is a running server. Its methods are safe for concurrent use.
type Embedded struct {
	server *server.Server
	opts   *server.Options
	dir    string
	lock   *dirLock
	logger *slog.Logger
	// self is the user of this process, nil without logins.
	self   *server.User
	secret string
	// unguard ends the looking after the disk.
	unguard func()
	// reload keeps changes of the logins apart.
	reload sync.Mutex
}

// readyWithin bounds the start of the server proper: reading back streams of
// many gigabytes is slow.
const readyWithin = 2 * time.Minute

// StartEmbedded starts a server and returns when it takes connections. The
// error wraps ErrDirInUse when another process has the directory.
func StartEmbedded(ctx context.Context, cfg EmbeddedConfig) (*Embedded, error) {
	if err := os.MkdirAll(cfg.DataDir, 0o700); err != nil {
		return nil, fmt.Errorf("make the broker's directory: %w", err)
	}
	lock, err := lockDir(cfg.DataDir)
	if err != nil {
		return nil, fmt.Errorf("start the broker: %w", err)
	}
	e := &Embedded{dir: cfg.DataDir, lock: lock, logger: cfg.Logger.With("system", "broker")}
	if err := e.start(ctx, cfg); err != nil {
		return nil, errors.Join(fmt.Errorf("start the broker: %w", err), lock.unlock())
	}
	return e, nil
}

func (e *Embedded) start(ctx context.Context, cfg EmbeddedConfig) error {
	opts, err := serverOptions(cfg)
	if err != nil {
		return err
	}
	if cfg.Logins != nil {
		// A password for this run only, never on disk. The name is none that a
		// collector can have.
		e.secret = rand.Text()
		// Of a random text the cheapest hash is as good as any, and the server
		// warns of passwords that it holds as they are.
		hash, err := bcrypt.GenerateFromPassword([]byte(e.secret), bcrypt.MinCost)
		if err != nil {
			return err
		}
		e.self = &server.User{Username: "fadeledger.self", Password: string(hash)}
		if opts.Users, err = serverUsers(e.self, cfg.Logins); err != nil {
			return err
		}
	} else if cfg.Listen != "" || cfg.MQTT != "" {
		e.logger.Warn("the broker asks for no login", "listen", cfg.Listen, "mqtt", cfg.MQTT)
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return err
	}
	log := &serverLog{logger: e.logger}
	srv.SetLoggerV2(log, false, false, false)
	srv.Start()
	for deadline := time.Now().Add(readyWithin); !srv.ReadyForConnections(100 * time.Millisecond); {
		reason := log.firstFatal()
		if ctx.Err() != nil {
			reason = ctx.Err().Error()
		}
		if reason == "" && time.Now().After(deadline) {
			reason = "not ready after " + readyWithin.String()
		}
		if reason != "" {
			srv.Shutdown()
			srv.WaitForShutdown()
			return errors.New(reason)
		}
	}
	if reason := log.firstFatal(); reason != "" {
		srv.Shutdown()
		srv.WaitForShutdown()
		return errors.New(reason)
	}
	if got := srv.JetStreamConfig(); got == nil || got.SyncAlways != opts.SyncAlways {
		// It would acknowledge what a power loss takes.
		srv.Shutdown()
		srv.WaitForShutdown()
		return fmt.Errorf("the server does not sync as it was told: always is to be %v", opts.SyncAlways)
	}
	e.server, e.opts = srv, opts
	if err := e.guard(cfg.DiskCheck); err != nil {
		srv.Shutdown()
		srv.WaitForShutdown()
		return err
	}
	e.logger.Info("broker ready", "dir", cfg.DataDir, "listen", e.ClientURL(), "sync_always", opts.SyncAlways, "max_store", opts.JetStreamMaxStore)
	return nil
}

func (e *Embedded) guard(every time.Duration) (err error) {
	e.unguard = func() {}
	if every < 0 {
		return nil
	}
	if every == 0 {
		every = defaultDiskCheck
	}
	e.unguard, err = e.startGuard(every)
	return err
}

// serverOptions spells out what matters; everything that opens another door
// (monitoring, clustering, leaf nodes, websockets) stays off.
func serverOptions(cfg EmbeddedConfig) (*server.Options, error) {
	maxStore := cfg.MaxStore
	if maxStore <= 0 {
		half, err := halfOfDisk(cfg.DataDir)
		if err != nil {
			return nil, err
		}
		maxStore = half
	}
	opts := &server.Options{
		// MQTT wants a name, and logs and advisories carry it.
		ServerName: "fadeledger",
		// Nobody but this process connects unless an address is given.
		DontListen: cfg.Listen == "",
		// Signals belong to the process, not to a library in it.
		NoSigs:                 true,
		DisableJetStreamBanner: true,
		JetStream:              true,
		// The server makes a folder jetstream in it.
		StoreDir:          cfg.DataDir,
		JetStreamMaxStore: maxStore,
		// All our streams are on disk; the memory is for MQTT sessions.
		JetStreamMaxMemory: 64 << 20,
		SyncAlways:         cfg.Sync == SyncAlways,
		// Above MaxMessageBytes, so that a message too large is answered by
		// the stream and does not cost the publisher its connection.
		MaxPayload: 2 * MaxMessageBytes,
		// Passwords are slow to check on purpose, and after a restart all
		// collectors come at once.
		AuthTimeout: loginWithin.Seconds(),
	}
	if cfg.Listen != "" {
		host, port, err := splitAddress(cfg.Listen)
		if err != nil {
			return nil, err
		}
		opts.Host, opts.Port = host, port
	}
	if cfg.MQTT != "" {
		host, port, err := splitAddress(cfg.MQTT)
		if err != nil {
			return nil, err
		}
		opts.MQTT.Host, opts.MQTT.Port = host, port
	}
	if cfg.TLS != nil {
		opts.TLSConfig, opts.TLSTimeout = cfg.TLS.Clone(), loginWithin.Seconds()
		if cfg.MQTT != "" {
			opts.MQTT.TLSConfig, opts.MQTT.TLSTimeout = cfg.TLS.Clone(), loginWithin.Seconds()
		}
	}
	return opts, nil
}

// splitAddress reads host:port; the server takes -1 for any port.
func splitAddress(address string) (string, int, error) {
	host, text, err := net.SplitHostPort(address)
	if err != nil {
		return "", 0, fmt.Errorf("listen address: %w", err)
	}
	port, err := strconv.ParseUint(text, 10, 16)
	if err != nil {
		return "", 0, fmt.Errorf("listen address %s: the port is no number up to 65535", address)
	}
	if port == 0 {
		return host, server.RANDOM_PORT, nil
	}
	return host, int(port), nil
}

func halfOfDisk(dir string) (int64, error) {
	var disk syscall.Statfs_t
	if err := syscall.Statfs(dir, &disk); err != nil {
		return 0, fmt.Errorf("size of the disk: %w", err)
	}
	return int64(disk.Blocks) / 2 * int64(disk.Bsize), nil
}

// Connect gives a connection inside the process, without a socket. The caller
// closes it, before Shutdown.
func (e *Embedded) Connect(ctx context.Context) (*nats.Conn, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("connect to the broker: %w", err)
	}
	opts := append(connectOptions("fadeledger", e.logger), nats.InProcessServer(e.server))
	if e.self != nil {
		opts = append(opts, nats.UserInfo(e.self.Username, e.secret))
	}
	nc, err := nats.Connect("", opts...)
	if err != nil {
		return nil, fmt.Errorf("connect to the broker: %w", err)
	}
	return nc, nil
}

// ClientURL gives the address for clients of other processes, empty when there
// is none.
func (e *Embedded) ClientURL() string {
	if e.opts.DontListen {
		return ""
	}
	return e.server.ClientURL()
}

// MQTTAddress gives the host:port for MQTT publishers, empty when there is
// none.
func (e *Embedded) MQTTAddress() string {
	if e.opts.MQTT.Port == 0 {
		return ""
	}
	return net.JoinHostPort(e.opts.MQTT.Host, strconv.Itoa(e.opts.MQTT.Port))
}

// StreamBytes gives what the stream may take of the store: nine tenths, or
// DefaultMaxBytes where that is less.
func (e *Embedded) StreamBytes() int64 {
	return min(e.opts.JetStreamMaxStore/10*9, DefaultMaxBytes)
}

// SyncsAlways reports whether the server brings each delivery to the disk
// before it acknowledges it.
func (e *Embedded) SyncsAlways() bool {
	config := e.server.JetStreamConfig()
	return config != nil && config.SyncAlways
}

// Shutdown stops the server and lets go of the directory. When ctx ends first
// the directory stays locked until the process ends.
func (e *Embedded) Shutdown(ctx context.Context) error {
	done := make(chan struct{})
	go func() {
		defer close(done)
		e.unguard()
		e.server.Shutdown()
		e.server.WaitForShutdown()
	}()
	select {
	case <-done:
	case <-ctx.Done():
		return fmt.Errorf("stop the broker: %w", ctx.Err())
	}
	if err := e.lock.unlock(); err != nil {
		return fmt.Errorf("stop the broker: %w", err)
	}
	e.logger.Info("broker stopped")
	return nil
}
