package storetest

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"fadeledger/migrations"
	"fadeledger/store/privatepg"
)

// URLEnv names the environment variable with a server to use instead of the
// shared private one, as postgres://user@host/database.
const URLEnv = "FADELEDGER_TEST_DATABASE_URL"

// setupTimeout bounds the making of one database, including the first start of
// the server and the wait for other tests' turns.
const setupTimeout = 3 * time.Minute

// Database makes a database with the whole schema for this test alone and
// returns its URL. It is dropped, with whatever is still connected, when the
// test ends.
func Database(t testing.TB) string {
	t.Helper()
	return create(t, func(ctx context.Context, admin *pgx.Conn, server *url.URL, name string) error {
		template, err := ensureTemplate(ctx, admin, server)
		if err != nil {
			return err
		}
		// Copying the files beats logging every page when nothing is synced.
		_, err = admin.Exec(ctx, fmt.Sprintf(`CREATE DATABASE %s TEMPLATE %s STRATEGY FILE_COPY`,
			quote(name), quote(template)))
		return err
	})
}

// Empty makes a database without any schema, for tests of the migrations
// themselves. Otherwise it is as Database.
func Empty(t testing.TB) string {
	t.Helper()
	return create(t, func(ctx context.Context, admin *pgx.Conn, _ *url.URL, name string) error {
		_, err := admin.Exec(ctx, fmt.Sprintf(`CREATE DATABASE %s TEMPLATE template0`, quote(name)))
		return err
	})
}

// Alone starts a server for this test alone, migrates its database and returns
// the database's URL. It is for tests that read or disturb the whole server,
// such as the bytes in its log, or a kill; it takes some two seconds, where
// Database takes a tenth of one. The server keeps every commit on disk, as the
// product's does. URLEnv has no effect.
func Alone(t testing.TB, settings map[string]string) (url string, server *privatepg.Server) {
	t.Helper()
	parent, err := os.MkdirTemp("", "fadeledger-alone-")
	if err != nil {
		t.Fatalf("make a data directory: %v", err)
	}
	t.Cleanup(func() { os.RemoveAll(parent) })
	// t.TempDir is closed to the user who runs Postgres for root.
	if err := os.Chmod(parent, 0o755); err != nil {
		t.Fatalf("open the data directory's parent: %v", err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), setupTimeout)
	defer cancel()
	server, err = privatepg.Start(ctx, privatepg.Config{
		DataDir: filepath.Join(parent, "pg"), Durable: true, Settings: settings})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := server.Stop(context.Background()); err != nil {
			t.Errorf("stop the server: %v", err)
		}
	})
	if err := migrate(ctx, server.URL()); err != nil {
		t.Fatal(err)
	}
	return server.URL(), server
}

// maker fills the name that create has chosen.
type maker func(ctx context.Context, admin *pgx.Conn, server *url.URL, name string) error

func create(t testing.TB, makeDatabase maker) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), setupTimeout)
	defer cancel()
	server := serverURL(ctx, t)
	admin, err := pgx.Connect(ctx, server.String())
	if err != nil {
		t.Fatalf("connect to the test server: %v", err)
	}
	defer admin.Close(ctx)
	name := newName()
	if err := makeDatabase(ctx, admin, server, name); err != nil {
		t.Fatalf("make database %s: %v", name, err)
	}
	t.Cleanup(func() { drop(t, server, name) })
	return withDatabase(server, name)
}

func drop(t testing.TB, server *url.URL, name string) {
	ctx, cancel := context.WithTimeout(context.Background(), setupTimeout)
	defer cancel()
	admin, err := pgx.Connect(ctx, server.String())
	if err != nil {
		t.Errorf("connect to drop database %s: %v", name, err)
		return
	}
	defer admin.Close(ctx)
	if _, err := admin.Exec(ctx, `DROP DATABASE `+quote(name)+` WITH (FORCE)`); err != nil {
		t.Errorf("drop database %s: %v", name, err)
	}
}

// templateLock keeps test processes from making the template side by side. It
// is an advisory lock of the administration database; any number would do.
const templateLock = 6031_7707

// ensureTemplate returns the name of a database with the whole schema, made on
// first use. The name follows from the migrations, so a changed schema gets a
// new one. Nobody may connect to it: a session there would make copies fail.
func ensureTemplate(ctx context.Context, admin *pgx.Conn, server *url.URL) (string, error) {
	hash, err := migrations.Hash()
	if err != nil {
		return "", err
	}
	name := "fl_template_" + hash[:16]
	if _, err := admin.Exec(ctx, `SELECT pg_advisory_lock($1)`, templateLock); err != nil {
		return "", fmt.Errorf("take turns for the template: %w", err)
	}
	defer admin.Exec(ctx, `SELECT pg_advisory_unlock($1)`, templateLock)

	var ready bool
	const query = `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1 AND datistemplate)`
	if err := admin.QueryRow(ctx, query, name).Scan(&ready); err != nil {
		return "", fmt.Errorf("look for the template: %w", err)
	}
	if ready {
		return name, nil
	}
	// One that is no template yet was cut short.
	for _, statement := range []string{
		`DROP DATABASE IF EXISTS ` + quote(name) + ` WITH (FORCE)`,
		`CREATE DATABASE ` + quote(name) + ` TEMPLATE template0`,
	} {
		if _, err := admin.Exec(ctx, statement); err != nil {
			return "", fmt.Errorf("make the template: %w", err)
		}
	}
	if err := migrate(ctx, withDatabase(server, name)); err != nil {
		return "", fmt.Errorf("fill the template: %w", err)
	}
	const seal = ` WITH IS_TEMPLATE true ALLOW_CONNECTIONS false`
	if _, err := admin.Exec(ctx, `ALTER DATABASE `+quote(name)+seal); err != nil {
		return "", fmt.Errorf("seal the template: %w", err)
	}
	return name, nil
}

func migrate(ctx context.Context, databaseURL string) error {
	pool, err := pgxpool.New(ctx, databaseURL)
	if err != nil {
		return fmt.Errorf("connect to migrate: %w", err)
	}
	defer pool.Close()
	_, err = migrations.Up(ctx, pool, slog.New(slog.DiscardHandler))
	return err
}

func newName() string {
	b := make([]byte, 8)
	rand.Read(b) // never fails
	return "fl_test_" + hex.EncodeToString(b)
}

func quote(name string) string {
	return pgx.Identifier{name}.Sanitize()
}

func withDatabase(server *url.URL, name string) string {
	u := *server
	u.Path = "/" + name
	return u.String()
}
