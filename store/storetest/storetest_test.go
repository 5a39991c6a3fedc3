package storetest_test

import (
	"context"
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"

	"fadeledger/store/storetest"
)

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(context.Background()) })
	return conn
}

func count(t *testing.T, conn *pgx.Conn, query string, args ...any) int {
	t.Helper()
	var n int
	if err := conn.QueryRow(t.Context(), query, args...).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

const countTables = `SELECT count(*) FROM pg_tables WHERE schemaname NOT IN ('pg_catalog', 'information_schema')`

func TestDatabaseIsMigratedAndOnesOwn(t *testing.T) {
	t.Parallel()
	for i := range 4 {
		t.Run(fmt.Sprintf("test %d of four side by side", i+1), func(t *testing.T) {
			t.Parallel()
			conn := connect(t, storetest.Database(t))
			if n := count(t, conn, countTables); n < 2 {
				t.Errorf("%d tables: the schema is missing", n)
			}
			// Fails in all but one if they share a database.
			if _, err := conn.Exec(t.Context(), `CREATE TABLE mark (n int)`); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestDatabaseIsDroppedWithItsConnections(t *testing.T) {
	t.Parallel()
	var name string
	t.Run("a test that leaves a connection open", func(t *testing.T) {
		conn, err := pgx.Connect(t.Context(), storetest.Database(t))
		if err != nil {
			t.Fatal(err)
		}
		name = conn.Config().Database
	})
	other := connect(t, storetest.Empty(t))
	if n := count(t, other, `SELECT count(*) FROM pg_database WHERE datname = $1`, name); n != 0 {
		t.Errorf("database %s is still there", name)
	}
}

func TestEmptyHasNoSchema(t *testing.T) {
	t.Parallel()
	conn := connect(t, storetest.Empty(t))
	if n := count(t, conn, countTables); n != 0 {
		t.Errorf("%d tables in an empty database", n)
	}
}

func TestAloneIsDurableAndMigrated(t *testing.T) {
	t.Parallel()
	url, _ := storetest.Alone(t, map[string]string{"work_mem": "9MB"})
	conn := connect(t, url)
	for name, want := range map[string]string{"fsync": "on", "work_mem": "9MB"} {
		var got string
		if err := conn.QueryRow(t.Context(), `SHOW `+name).Scan(&got); err != nil {
			t.Fatal(err)
		}
		if got != want {
			t.Errorf("%s is %s, want %s", name, got, want)
		}
	}
	if n := count(t, conn, countTables); n < 2 {
		t.Errorf("%d tables: the schema is missing", n)
	}
}
