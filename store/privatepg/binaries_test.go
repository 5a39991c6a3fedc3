package privatepg

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// fakeBinaries makes a folder with an initdb and a postgres that only knows
// its version.
func fakeBinaries(t *testing.T, dir, version string) string {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	script := fmt.Sprintf("#!/bin/sh\necho '%s'\n", version)
	for _, program := range []string{"initdb", "postgres"} {
		if err := os.WriteFile(filepath.Join(dir, program), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestFindBinaries(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	v14 := fakeBinaries(t, filepath.Join(root, "14/bin"), "postgres (PostgreSQL) 14.9")
	v15 := fakeBinaries(t, filepath.Join(root, "15/bin"), "postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)")
	v17 := fakeBinaries(t, filepath.Join(root, "17/bin"), "postgres (PostgreSQL) 17beta1")
	wrapped := filepath.Join(root, "wrapped")
	if err := os.Mkdir(wrapped, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(v15, "initdb"), filepath.Join(wrapped, "initdb")); err != nil {
		t.Fatal(err)
	}
	alone := filepath.Join(root, "alone")
	if err := os.Mkdir(alone, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(alone, "initdb"), []byte("#!/bin/sh\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	glob := filepath.Join(root, "1*/bin")

	tests := []struct {
		name   string
		search search
		major  int
		want   string
	}{
		{"the highest version among the folders", search{globs: []string{glob}}, 0, v17},
		{"the version that made the cluster", search{globs: []string{glob}}, 15, v15},
		{"a link on PATH is followed to where postgres lies", search{path: wrapped}, 0, v15},
		{"an initdb without postgres beside it is passed over", search{path: alone + ":" + v15}, 0, v15},
		{"the variable wins over a higher version elsewhere", search{only: v15, path: v17}, 0, v15},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, err := tt.search.find(t.Context(), tt.major)
			if err != nil {
				t.Fatal(err)
			}
			if got.Dir != resolved(t, tt.want) {
				t.Errorf("found %s, want %s", got.Dir, tt.want)
			}
		})
	}

	failures := []struct {
		name   string
		search search
		major  int
		want   []string
	}{
		{"nothing on Linux", search{goos: "linux", path: root}, 0, []string{"apt-get install postgresql", BinEnv}},
		{"nothing on macOS", search{goos: "darwin"}, 0, []string{"brew install postgresql"}},
		{"only one that is too old", search{path: v14}, 0, []string{"15 or later", "14 in " + resolved(t, v14)}},
		{"not the version that made the cluster", search{path: v17}, 15, []string{"made by Postgres 15", "17 in"}},
		{"a variable that names a wrong folder", search{only: alone, path: v17}, 0, []string{BinEnv + "=" + alone, "postgres is not there"}},
	}
	for _, tt := range failures {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			_, err := tt.search.find(t.Context(), tt.major)
			if !errors.Is(err, ErrNoBinaries) {
				t.Fatalf("got %v, want ErrNoBinaries", err)
			}
			for _, want := range tt.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("the message lacks %q: %v", want, err)
				}
			}
		})
	}
}

func resolved(t *testing.T, dir string) string {
	t.Helper()
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		t.Fatal(err)
	}
	return real
}

func TestCanReach(t *testing.T) {
	t.Parallel()
	root := t.TempDir() // closed to others above it, too
	closed := filepath.Join(root, "closed")
	if err := os.MkdirAll(filepath.Join(closed, "inner"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(closed, 0o700); err != nil {
		t.Fatal(err)
	}
	other := identity{uid: uint32(os.Getuid()) + 12345, gid: uint32(os.Getgid()) + 12345, name: "other", drop: true}
	err := other.canReach(filepath.Join(closed, "inner"))
	if err == nil || !strings.Contains(err.Error(), "chmod o+x "+closed) {
		t.Errorf("for another user: %v", err)
	}
	if err := other.canReach("/tmp"); err != nil {
		t.Errorf("/tmp for another user: %v", err)
	}
	same := identity{uid: uint32(os.Getuid()), gid: uint32(os.Getgid()), name: "same"}
	if err := same.canReach(filepath.Join(closed, "inner")); err != nil {
		t.Errorf("for the same user: %v", err)
	}
}

func TestSocketDirOfAnotherUserIsRefused(t *testing.T) {
	t.Parallel()
	cl := cluster{dir: t.TempDir(), identity: identity{uid: uint32(os.Getuid()), name: "us"}}
	dir, err := cl.makeSocketDir()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Remove(dir) })
	if again, err := cl.makeSocketDir(); err != nil || again != dir {
		t.Errorf("our own from before: %q, %v", again, err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if _, err := cl.makeSocketDir(); err == nil {
		t.Error("a directory open to others was accepted")
	}
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	cl.identity.uid++
	if _, err := cl.makeSocketDir(); err == nil {
		t.Error("a directory of another user was accepted")
	}
}

func TestSharedBuffers(t *testing.T) {
	t.Parallel()
	const gib = 1 << 30
	for memory, want := range map[uint64]uint64{0: 256, gib / 64: 16, gib: 256, 2 * gib: 512, 64 * gib: 512} {
		if got := sharedBuffersMB(memory); got != want {
			t.Errorf("%d bytes of memory give %d MB, want %d", memory, got, want)
		}
	}
}
