package rig

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"fadeledger/store/privatepg"
)

// startWithin bounds the start of Postgres on files that a kill left: it
// refuses while a process of the killed one still holds its shared memory.
const startWithin = 30 * time.Second

// ownRole is the role of the harness, which tells its connections from those of
// the workers.
const ownRole = "drill"

// Cluster is a Postgres that can be killed and started again on its files. Many
// runs may use it one after the other, each with a database of its own.
type Cluster struct {
	dir string
	log *slog.Logger
	// fault is held by whatever happens to the cluster.
	fault sync.Mutex

	mu     sync.Mutex
	server *privatepg.Server
	socket string
	runs   int
}

// StartCluster makes a cluster in a folder and starts it. Every user must be
// able to enter the folders above it where the caller is root.
func StartCluster(ctx context.Context, dir string, log *slog.Logger) (*Cluster, error) {
	c := &Cluster{dir: dir, log: log}
	if err := c.start(ctx); err != nil {
		return nil, err
	}
	const role = `DO $$ BEGIN
		IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '` + ownRole + `') THEN CREATE ROLE ` + ownRole + ` SUPERUSER LOGIN; END IF;
	END $$`
	if err := c.administer(ctx, role); err != nil {
		return nil, errors.Join(err, c.Stop(ctx))
	}
	return c, nil
}

// start starts Postgres, trying again while the killed one's processes end.
func (c *Cluster) start(ctx context.Context) error {
	for deadline := time.Now().Add(startWithin); ; {
		server, err := privatepg.Start(ctx, privatepg.Config{
			DataDir: c.dir, Logger: c.log, Durable: true,
			// Processes die here, never the machine: what the kernel was given
			// is safe without waiting for the disk.
			Settings: map[string]string{"fsync": "off", "shared_buffers": "64MB"},
		})
		if err == nil {
			c.mu.Lock()
			defer c.mu.Unlock()
			c.server = server
			u, err := url.Parse(server.URL())
			if err != nil {
				return fmt.Errorf("address of the cluster: %w", err)
			}
			c.socket = filepath.Join(u.Query().Get("host"), ".s.PGSQL.5432")
			return nil
		}
		if ctx.Err() != nil || time.Now().After(deadline) {
			return fmt.Errorf("start the cluster: %w", err)
		}
		time.Sleep(100 * time.Millisecond)
	}
}

// postmaster gives the number of the server's first process.
func (c *Cluster) postmaster() (int, error) {
	b, err := os.ReadFile(filepath.Join(c.dir, "postmaster.pid"))
	if err != nil {
		return 0, fmt.Errorf("find the postmaster: %w", err)
	}
	first, _, _ := strings.Cut(string(b), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil {
		return 0, fmt.Errorf("find the postmaster: %w", err)
	}
	return pid, nil
}

// kill ends the postmaster by SIGKILL and waits until it is gone.
func (c *Cluster) kill() error {
	pid, err := c.postmaster()
	if err != nil {
		return err
	}
	c.mu.Lock()
	server := c.server
	c.mu.Unlock()
	select {
	case <-server.Done():
		return fmt.Errorf("kill the postmaster: it has ended already")
	default:
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		return fmt.Errorf("kill the postmaster: %w", err)
	}
	<-server.Done()
	return nil
}

// Stop ends the cluster.
func (c *Cluster) Stop(ctx context.Context) error {
	c.mu.Lock()
	server := c.server
	c.mu.Unlock()
	return server.Stop(ctx)
}

// target is where a proxy reaches the cluster.
func (c *Cluster) target() string { return "unix:" + c.path() }

// path is that of the socket.
func (c *Cluster) path() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.socket
}

// direct is the address of a database for the harness, without any proxy.
func (c *Cluster) direct(database string) string { return c.as(ownRole, database) }

func (c *Cluster) as(role, database string) string {
	u := url.URL{
		Scheme: "postgres", Path: "/" + database,
		RawQuery: url.Values{"host": {filepath.Dir(c.path())}, "user": {role}}.Encode(),
	}
	return u.String()
}

// through is the address of a database behind a proxy.
func through(address, database string) string {
	return fmt.Sprintf("postgres://%s@%s/%s?sslmode=disable", privatepg.UserName, address, database)
}

// create makes an empty database for a run and gives its name.
func (c *Cluster) create(ctx context.Context) (string, error) {
	c.mu.Lock()
	c.runs++
	name := fmt.Sprintf("drill_%d_%d", os.Getpid(), c.runs)
	c.mu.Unlock()
	return name, c.administer(ctx, `CREATE DATABASE `+name)
}

// drop removes a database and whoever is still connected to it.
func (c *Cluster) drop(ctx context.Context, name string) error {
	return c.administer(ctx, `DROP DATABASE IF EXISTS `+name+` WITH (FORCE)`)
}

func (c *Cluster) administer(ctx context.Context, statement string) error {
	conn, err := pgx.Connect(ctx, c.as(privatepg.UserName, privatepg.DatabaseName))
	if err != nil {
		return fmt.Errorf("administer the cluster: %w", err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, statement); err != nil {
		return fmt.Errorf("administer the cluster: %w", err)
	}
	return nil
}
