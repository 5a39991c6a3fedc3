package migrations_test

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"fadeledger/migrations"
	"fadeledger/store/storetest"
)

func emptyPool(t *testing.T) *pgxpool.Pool {
	t.Helper()
	pool, err := pgxpool.New(t.Context(), storetest.Empty(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool
}

func quiet() *slog.Logger {
	return slog.New(slog.DiscardHandler)
}

// schema describes what a database holds: a line for each column, index,
// constraint, function, trigger, type and sequence, but for the table that
// records the versions.
func schema(t *testing.T, pool *pgxpool.Pool) []string {
	t.Helper()
	const query = `
		WITH own AS (
			SELECT oid FROM pg_namespace
			WHERE nspname NOT LIKE 'pg\_%' AND nspname <> 'information_schema'
		), line AS (
			SELECT 'column ' || c.relname || '.' || a.attname || ' ' || format_type(a.atttypid, a.atttypmod)
				|| CASE WHEN a.attnotnull THEN ' not null' ELSE '' END
				|| ' storage ' || a.attstorage::text
				|| coalesce(' default ' || pg_get_expr(d.adbin, d.adrelid), '') AS text
			FROM pg_class c
			JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped
			LEFT JOIN pg_attrdef d ON d.adrelid = c.oid AND d.adnum = a.attnum
			WHERE c.relnamespace IN (SELECT oid FROM own) AND c.relkind IN ('r', 'p', 'v', 'm')
			UNION ALL
			SELECT 'relation ' || relname || ' ' || relkind::text || coalesce(' ' || reloptions::text, '')
			FROM pg_class
			WHERE relnamespace IN (SELECT oid FROM own)
			UNION ALL
			SELECT 'index ' || pg_get_indexdef(i.indexrelid)
			FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid
			WHERE c.relnamespace IN (SELECT oid FROM own)
			UNION ALL
			SELECT 'constraint ' || conrelid::regclass || ' ' || conname || ' ' || pg_get_constraintdef(oid)
			FROM pg_constraint WHERE connamespace IN (SELECT oid FROM own)
			UNION ALL
			SELECT 'function ' || oid::regprocedure || ' ' || md5(prosrc)
			FROM pg_proc WHERE pronamespace IN (SELECT oid FROM own)
			UNION ALL
			SELECT 'trigger ' || pg_get_triggerdef(t.oid)
			FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid
			WHERE c.relnamespace IN (SELECT oid FROM own) AND NOT t.tgisinternal
			UNION ALL
			SELECT 'type ' || typname || ' ' || typtype::text
			FROM pg_type WHERE typnamespace IN (SELECT oid FROM own) AND typtype IN ('e', 'd', 'r')
			UNION ALL
			SELECT 'schema ' || nspname FROM pg_namespace WHERE oid IN (SELECT oid FROM own)
		)
		SELECT text FROM line WHERE text NOT LIKE '%goose\_db\_version%' ORDER BY text COLLATE "C"`
	rows, err := pool.Query(t.Context(), query)
	if err != nil {
		t.Fatal(err)
	}
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return lines
}

func to(t *testing.T, pool *pgxpool.Pool, version int64) migrations.Versions {
	t.Helper()
	v, err := migrations.To(t.Context(), pool, quiet(), version)
	if err != nil {
		t.Fatal(err)
	}
	if v.Current != version {
		t.Fatalf("at version %d after a move to %d", v.Current, version)
	}
	return v
}

// Every version is passed three times: all up, each one down, each one up. A
// Down that forgets something, or leaves its table in another shape, shows as
// a difference between the passes.
func TestUpAllDownToZeroUpOneByOne(t *testing.T) {
	t.Parallel()
	pool := emptyPool(t)
	bare := schema(t, pool)

	v, err := migrations.Up(t.Context(), pool, quiet())
	if err != nil {
		t.Fatal(err)
	}
	if v.Current != v.Latest || v.Latest < 1 {
		t.Fatalf("after up: %+v", v)
	}
	full := schema(t, pool)
	if len(full) == len(bare) {
		t.Fatal("up has made nothing")
	}

	downward := map[int64][]string{v.Latest: full}
	for version := v.Latest - 1; version >= 0; version-- {
		got, err := migrations.Down(t.Context(), pool, quiet())
		if err != nil {
			t.Fatal(err)
		}
		if got.Current != version {
			t.Fatalf("down from %d led to %d: the numbers have a gap", version+1, got.Current)
		}
		downward[version] = schema(t, pool)
	}
	if diff := cmp.Diff(bare, downward[0]); diff != "" {
		t.Errorf("left at version 0 (-before +after):\n%s", diff)
	}
	for version := int64(1); version <= v.Latest; version++ {
		to(t, pool, version)
		if diff := cmp.Diff(downward[version], schema(t, pool)); diff != "" {
			t.Errorf("version %d, reached from above and from below, differs (-above +below):\n%s", version, diff)
		}
	}
	to(t, pool, 0)
	if diff := cmp.Diff(bare, schema(t, pool)); diff != "" {
		t.Errorf("left after all at once (-before +after):\n%s", diff)
	}
}

func TestUpAndDownAtTheEnds(t *testing.T) {
	t.Parallel()
	pool := emptyPool(t)
	v, err := migrations.Version(t.Context(), pool)
	if err != nil || v.Current != 0 || v.Latest < 1 {
		t.Fatalf("version of a new database: %+v, %v", v, err)
	}
	if v, err := migrations.Down(t.Context(), pool, quiet()); err != nil || v.Current != 0 {
		t.Errorf("down at the bottom: %+v, %v", v, err)
	}
	for range 2 {
		if v, err := migrations.Up(t.Context(), pool, quiet()); err != nil || v.Current != v.Latest {
			t.Errorf("up: %+v, %v", v, err)
		}
	}
	for _, version := range []int64{-1, v.Latest + 1} {
		if _, err := migrations.To(t.Context(), pool, quiet(), version); err == nil || !strings.Contains(err.Error(), "there is no version") {
			t.Errorf("to version %d: %v", version, err)
		}
	}
	if v, err := migrations.Version(t.Context(), pool); err != nil || v.Current != v.Latest {
		t.Errorf("version after refusals: %+v, %v", v, err)
	}
}

// Several workers of one roll-out migrate at the same time.
func TestUpSideBySide(t *testing.T) {
	t.Parallel()
	url := storetest.Empty(t)
	var wg sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		wg.Go(func() {
			pool, err := pgxpool.New(context.Background(), url)
			if err != nil {
				errs[i] = err
				return
			}
			defer pool.Close()
			_, errs[i] = migrations.Up(context.Background(), pool, quiet())
		})
	}
	wg.Wait()
	for i, err := range errs {
		if err != nil {
			t.Errorf("worker %d: %v", i, err)
		}
	}
}

func TestPoolOfOneIsRefused(t *testing.T) {
	t.Parallel()
	config, err := pgxpool.ParseConfig(storetest.Empty(t))
	if err != nil {
		t.Fatal(err)
	}
	config.MaxConns = 1
	pool, err := pgxpool.NewWithConfig(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	if _, err := migrations.Up(t.Context(), pool, quiet()); err == nil || !strings.Contains(err.Error(), "2 are needed") {
		t.Errorf("got %v, want a refusal at once instead of a wait for ever", err)
	}
}

func TestHashIsStable(t *testing.T) {
	t.Parallel()
	first, err := migrations.Hash()
	if err != nil {
		t.Fatal(err)
	}
	second, err := migrations.Hash()
	if err != nil {
		t.Fatal(err)
	}
	if first != second || len(first) != 64 {
		t.Errorf("hashes %q and %q", first, second)
	}
}
