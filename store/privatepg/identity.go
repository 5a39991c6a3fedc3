package privatepg

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// identity is the user that Postgres runs as: ourselves, or, since Postgres
// refuses to run as root, another one when we are root.
type identity struct {
	uid, gid uint32
	name     string
	drop     bool // we are root and Postgres is not
}

// dropUsers are the users root may hand Postgres to, in order of preference:
// our own package's, the distributions', and the one that exists everywhere.
var dropUsers = []string{"fadeledger", "postgres", "_postgres", "nobody"}

// chooseIdentity returns who will run the cluster in dir. For root that is the
// owner of an existing cluster, else the first of dropUsers that exists.
func chooseIdentity(dir string) (identity, error) {
	if uid := os.Geteuid(); uid != 0 {
		return identity{uid: uint32(uid), gid: uint32(os.Getegid()), name: userName(uint32(uid))}, nil
	}
	if info, err := os.Stat(filepath.Join(dir, "PG_VERSION")); err == nil && ownerOf(info) != 0 {
		uid := ownerOf(info)
		return identity{uid: uid, gid: groupOf(info), name: userName(uid), drop: true}, nil
	}
	for _, name := range dropUsers {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, uidErr := strconv.ParseUint(u.Uid, 10, 32)
		gid, gidErr := strconv.ParseUint(u.Gid, 10, 32)
		if err := errors.Join(uidErr, gidErr); err != nil || uid == 0 {
			continue
		}
		return identity{uid: uint32(uid), gid: uint32(gid), name: name, drop: true}, nil
	}
	return identity{}, fmt.Errorf("postgres refuses to run as root and none of the users %q exists: add one with `useradd --system fadeledger`", dropUsers)
}

func userName(uid uint32) string {
	id := strconv.FormatUint(uint64(uid), 10)
	if u, err := user.LookupId(id); err == nil {
		return u.Username
	}
	return id
}

// credential is nil when no change of user is needed.
func (id identity) credential() *syscall.Credential {
	if !id.drop {
		return nil
	}
	return &syscall.Credential{Uid: id.uid, Gid: id.gid, Groups: []uint32{}}
}

// own hands a directory that root made to the user of Postgres.
func (id identity) own(dir string) error {
	if !id.drop {
		return nil
	}
	if err := os.Chown(dir, int(id.uid), int(id.gid)); err != nil {
		return fmt.Errorf("hand %s to user %s: %w", dir, id.name, err)
	}
	return nil
}

// canReach checks that the user may pass through dir and everything above it.
// Postgres' own message names neither the directory nor the cure.
func (id identity) canReach(dir string) error {
	if !id.drop {
		return nil
	}
	for at := dir; ; at = filepath.Dir(at) {
		info, err := os.Stat(at)
		if err != nil {
			return fmt.Errorf("check the way to the data directory: %w", err)
		}
		if !id.mayPass(info) {
			return fmt.Errorf("user %s, who runs Postgres for root, cannot pass through %s: choose another data directory, or `chmod o+x %s`", id.name, at, at)
		}
		if at == filepath.Dir(at) {
			return nil
		}
	}
}

// mayPass is the kernel's rule for entering a directory, without access lists.
func (id identity) mayPass(info fs.FileInfo) bool {
	mode := info.Mode().Perm()
	switch {
	case ownerOf(info) == id.uid:
		return mode&0o100 != 0
	case groupOf(info) == id.gid:
		return mode&0o010 != 0
	}
	return mode&0o001 != 0
}

func ownerOf(info fs.FileInfo) uint32 {
	return info.Sys().(*syscall.Stat_t).Uid
}

func groupOf(info fs.FileInfo) uint32 {
	return info.Sys().(*syscall.Stat_t).Gid
}
