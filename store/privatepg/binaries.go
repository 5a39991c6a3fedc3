package privatepg

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
)

// MinMajor is the oldest major version of Postgres that fadeledger's SQL runs
// on.
const MinMajor = 15

// BinEnv names the environment variable that, when set, is the only place
// where binaries are looked for.
const BinEnv = "FADELEDGER_PG_BIN"

// ErrNoBinaries is returned when no usable Postgres is installed.
var ErrNoBinaries = errors.New("no usable Postgres is installed")

// Binaries is a folder that holds initdb and postgres, and their major version.
type Binaries struct {
	Dir   string
	Major int
}

func (b Binaries) path(program string) string {
	return filepath.Join(b.Dir, program)
}

// search is where binaries may lie. Its fields are values so that a test can
// look elsewhere.
type search struct {
	only  string   // BinEnv's value; nothing else is looked at when set
	path  string   // PATH
	globs []string // folders of the known packages
	goos  string
}

func defaultSearch() search {
	return search{
		only: os.Getenv(BinEnv),
		path: os.Getenv("PATH"),
		goos: runtime.GOOS,
		globs: []string{
			"/usr/lib/postgresql/*/bin",
			"/usr/pgsql-*/bin",
			"/usr/libexec/postgresql*",
			"/opt/homebrew/opt/postgresql@*/bin",
			"/usr/local/opt/postgresql@*/bin",
			"/Applications/Postgres.app/Contents/Versions/*/bin",
			"/usr/bin",
		},
	}
}

// Find returns the binaries that Start would use for a new cluster: those of
// BinEnv if it is set, else the highest major version among PATH and the
// folders of the known packages. It returns ErrNoBinaries when there are none
// of MinMajor or later.
func Find(ctx context.Context) (Binaries, error) {
	return defaultSearch().find(ctx, 0)
}

// find returns the highest major version, or exactly major when that is not 0.
func (s search) find(ctx context.Context, major int) (Binaries, error) {
	var best Binaries
	var seen []string
	for _, dir := range s.dirs() {
		b, err := inspect(ctx, dir)
		if err != nil {
			if s.only != "" {
				return Binaries{}, fmt.Errorf("%w in %s=%s: %w", ErrNoBinaries, BinEnv, s.only, err)
			}
			continue
		}
		seen = append(seen, fmt.Sprintf("%d in %s", b.Major, b.Dir))
		if b.Major > best.Major && (major == 0 || b.Major == major) {
			best = b
		}
	}
	switch {
	case major != 0 && best.Major != major && len(seen) > 0:
		return Binaries{}, fmt.Errorf("%w: this cluster was made by Postgres %d, but found only %s; install version %d",
			ErrNoBinaries, major, strings.Join(seen, ", "), major)
	case best.Major < MinMajor && len(seen) > 0:
		return Binaries{}, fmt.Errorf("%w: Postgres %d or later is needed, but found only %s; %s",
			ErrNoBinaries, MinMajor, strings.Join(seen, ", "), s.remedy())
	case best.Major < MinMajor:
		return Binaries{}, fmt.Errorf("%w: %s", ErrNoBinaries, s.remedy())
	}
	return best, nil
}

// remedy is the sentence that says what to install.
func (s search) remedy() string {
	install := "`apt-get install postgresql` (Debian, Ubuntu) or `dnf install postgresql-server` (Fedora, RHEL)"
	if s.goos == "darwin" {
		install = "`brew install postgresql@17`"
	}
	return "install it with " + install + ", or name the folder of initdb and postgres in " + BinEnv
}

// dirs are the folders to look in, best first, without repeats. Links are
// followed: a link to initdb alone, or a package's wrapper, does not have
// postgres beside it.
func (s search) dirs() []string {
	if s.only != "" {
		return []string{s.only}
	}
	var dirs []string
	seen := map[string]bool{}
	add := func(initdb string) {
		real, err := filepath.EvalSymlinks(initdb)
		if err != nil || seen[filepath.Dir(real)] {
			return
		}
		seen[filepath.Dir(real)] = true
		dirs = append(dirs, filepath.Dir(real))
	}
	for _, dir := range filepath.SplitList(s.path) {
		if filepath.IsAbs(dir) {
			add(filepath.Join(dir, "initdb"))
		}
	}
	for _, glob := range s.globs {
		found, _ := filepath.Glob(filepath.Join(glob, "initdb"))
		for _, initdb := range found {
			add(initdb)
		}
	}
	return dirs
}

var versionPattern = regexp.MustCompile(`^postgres \(PostgreSQL\) (\d+)`)

// inspect asks the postgres in dir for its version. It runs nothing else, so it
// works as root too.
func inspect(ctx context.Context, dir string) (Binaries, error) {
	for _, program := range []string{"initdb", "postgres"} {
		if _, err := exec.LookPath(filepath.Join(dir, program)); err != nil {
			return Binaries{}, fmt.Errorf("%s is not there: %w", program, err)
		}
	}
	cmd := exec.CommandContext(ctx, filepath.Join(dir, "postgres"), "-V")
	cmd.Env = childEnv()
	out, err := cmd.Output()
	if err != nil {
		return Binaries{}, fmt.Errorf("ask postgres for its version: %w", err)
	}
	m := versionPattern.FindSubmatch(out)
	if m == nil {
		return Binaries{}, fmt.Errorf("no version of Postgres in %q", out)
	}
	major, err := strconv.Atoi(string(m[1]))
	if err != nil {
		return Binaries{}, fmt.Errorf("read the version in %q: %w", out, err)
	}
	return Binaries{Dir: dir, Major: major}, nil
}
