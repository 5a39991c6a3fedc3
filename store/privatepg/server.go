package privatepg

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"time"
)

const (
	// DatabaseName is the database that Start makes sure exists.
	DatabaseName = "fadeledger"
	// UserName is the role that owns it, and the cluster's only one.
	UserName = "fadeledger"
	// DefaultStopTimeout is how long Stop waits for a fast shutdown, which
	// ends with a checkpoint, before it asks for an immediate one.
	DefaultStopTimeout = 30 * time.Second
)

// Config says which cluster to run and how.
type Config struct {
	// DataDir is the cluster's directory. It is made when missing; its parents
	// too. When the caller is root, every parent must let other users pass
	// (o+x), since Postgres itself refuses to run as root.
	DataDir string
	// Logger receives Postgres' own lines. The zero value discards them.
	Logger *slog.Logger
	// Durable keeps every committed transaction through a loss of power. Off,
	// fsync and synchronous_commit are off, which is for tests only: what a
	// transaction writes, and how much, stays the same as in the product.
	Durable bool
	// Settings are server settings that win over the ones chosen here, such as
	// "shared_buffers": "1GB".
	Settings map[string]string
}

// Server is a running cluster. Its methods may be called from any goroutine.
type Server struct {
	cluster  cluster
	logger   *slog.Logger
	postgres *exec.Cmd
	watcher  *exec.Cmd
	alive    io.Closer     // write end of the watcher's pipe; closing it ends Postgres
	done     chan struct{} // closed by wait, after everything was let go
	output   *logWriter
	stopping sync.Once
}

// Start runs the cluster in c.DataDir, making it first if the directory is
// missing or empty, and returns once it takes connections. ctx bounds the
// start only: a server that has started lives until Stop or until this process
// ends.
//
// Errors worth telling apart:
//   - ErrNoBinaries: no usable Postgres is installed; the text says what to install
//   - ErrInUse: another process of fadeledger, or a Postgres started by hand,
//     holds the directory
func Start(ctx context.Context, c Config) (*Server, error) {
	if c.DataDir == "" {
		return nil, errors.New("start private Postgres: no data directory given")
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	cl, err := openCluster(ctx, c.DataDir, c.Durable)
	if err != nil {
		return nil, fmt.Errorf("start private Postgres in %s: %w", c.DataDir, err)
	}
	s, err := launch(cl, c)
	if err != nil {
		cl.close()
		return nil, fmt.Errorf("start private Postgres in %s: %w", c.DataDir, err)
	}
	if err := s.ready(ctx); err != nil {
		stopCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), DefaultStopTimeout)
		defer cancel()
		return nil, errors.Join(
			fmt.Errorf("start private Postgres in %s: %w", c.DataDir, err),
			s.Stop(stopCtx))
	}
	c.Logger.Info("private postgres ready", "dir", cl.dir, "major", cl.binaries.Major)
	return s, nil
}

// URL is the connection string of the database fadeledger, over the socket.
func (s *Server) URL() string {
	return s.cluster.url(DatabaseName)
}

// URLOf gives the connection string of the database of a server that another
// process runs in a data directory. Only the user who runs it, and root, can
// connect.
func URLOf(dataDir string) (string, error) {
	dir, err := resolve(dataDir)
	if err != nil {
		return "", err
	}
	if _, state, err := readPIDFile(filepath.Join(dir, "postmaster.pid")); err != nil || state != "ready" {
		return "", fmt.Errorf("no private Postgres runs in %s: start the service first", dataDir)
	}
	cl := cluster{dir: dir, socketDir: socketDirOf(dir)}
	return cl.url(DatabaseName), nil
}

// Done is closed once Postgres has ended, whether Stop asked for it or not.
func (s *Server) Done() <-chan struct{} {
	return s.done
}

// Stop ends the cluster by a fast shutdown: open transactions are rolled back,
// everything committed is on disk. If ctx ends first (or DefaultStopTimeout,
// when ctx has no deadline), it falls back to an immediate shutdown, from
// which the next start recovers, and returns ctx's error. Stop may be called
// more than once, and after Postgres ended by itself.
func (s *Server) Stop(ctx context.Context) error {
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, DefaultStopTimeout)
		defer cancel()
	}
	s.stopping.Do(func() { s.signal(syscall.SIGINT) })
	select {
	case <-s.done:
		return nil
	case <-ctx.Done():
	}
	s.signal(syscall.SIGQUIT)
	select {
	case <-s.done:
	case <-time.After(5 * time.Second):
		s.signal(syscall.SIGKILL)
		<-s.done
	}
	return fmt.Errorf("stop private Postgres in %s: %w", s.cluster.dir, ctx.Err())
}

// signal reaches the postmaster. An error means that it has ended already,
// which every caller goes on to wait for anyway.
func (s *Server) signal(sig syscall.Signal) {
	if err := s.postgres.Process.Signal(sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
		s.logger.Warn("signal postgres", "signal", sig.String(), "err", err)
	}
}

// launch starts Postgres and its watcher. On an error neither is left running;
// the cluster stays open for the caller to close.
func launch(cl cluster, c Config) (*Server, error) {
	args := []string{"-D", cl.dir, "-k", cl.socketDir}
	for _, setting := range settings(c) {
		args = append(args, "-c", setting)
	}
	s := &Server{
		cluster:  cl,
		logger:   c.Logger,
		postgres: cl.command(context.Background(), cl.binaries.path("postgres"), args...),
		done:     make(chan struct{}),
		output:   &logWriter{logger: c.Logger},
	}
	s.postgres.Stdout = s.output
	s.postgres.Stderr = s.output
	// A backend that outlives the postmaster for a moment still holds the
	// output; Wait must not hang on it.
	s.postgres.WaitDelay = 5 * time.Second
	if err := s.postgres.Start(); err != nil {
		return nil, fmt.Errorf("run postgres: %w", err)
	}
	if err := s.watch(); err != nil {
		s.signal(syscall.SIGQUIT)
		return nil, errors.Join(err, s.postgres.Wait())
	}
	go s.wait()
	return s, nil
}

// watch starts the shell that ends Postgres when this process is gone.
func (s *Server) watch() error {
	const script = `trap "" INT TERM HUP; read -r _; kill -INT "$0"`
	s.watcher = s.cluster.command(context.Background(), "/bin/sh", "-c", script, fmt.Sprint(s.postgres.Process.Pid))
	alive, err := s.watcher.StdinPipe()
	if err != nil {
		return fmt.Errorf("open the watcher's pipe: %w", err)
	}
	if err := s.watcher.Start(); err != nil {
		return fmt.Errorf("run the watcher: %w", err)
	}
	s.alive = alive
	return nil
}

// wait reaps Postgres, then the watcher, then lets the directory go. The
// watcher is killed rather than told: by then the postmaster's number may
// belong to another process.
func (s *Server) wait() {
	err := s.postgres.Wait()
	_ = s.watcher.Process.Kill()
	_ = s.watcher.Wait()
	_ = s.alive.Close()
	s.output.flush()
	s.cluster.close()
	s.logger.Info("private postgres ended", "dir", s.cluster.dir, "state", fmt.Sprint(err))
	close(s.done)
}

// url is the connection string for one database of the cluster.
func (cl cluster) url(database string) string {
	u := url.URL{
		Scheme:   "postgres",
		Path:     "/" + database,
		RawQuery: url.Values{"host": {cl.socketDir}, "user": {UserName}}.Encode(),
	}
	return u.String()
}
