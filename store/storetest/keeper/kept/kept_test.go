package kept_test

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"fadeledger/store/storetest/keeper/kept"
)

func TestOpenTwiceIsTheSameFolder(t *testing.T) {
	t.Parallel()
	temp := t.TempDir()
	first, err := kept.Open(temp)
	if err != nil {
		t.Fatal(err)
	}
	second, err := kept.Open(temp)
	if err != nil || first != second {
		t.Errorf("opened %s, then %s, %v", first, second, err)
	}
}

func TestOpenRefusesWhatOthersCouldHaveMade(t *testing.T) {
	t.Parallel()
	t.Run("a folder that others can write", func(t *testing.T) {
		t.Parallel()
		temp := t.TempDir()
		dir, err := kept.Open(temp)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(string(dir), 0o777); err != nil {
			t.Fatal(err)
		}
		if _, err := kept.Open(temp); err == nil {
			t.Error("accepted")
		}
	})
	t.Run("a link", func(t *testing.T) {
		t.Parallel()
		temp := t.TempDir()
		dir, err := kept.Open(temp)
		if err != nil {
			t.Fatal(err)
		}
		moved := filepath.Join(temp, "moved")
		if err := os.Rename(string(dir), moved); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(moved, string(dir)); err != nil {
			t.Fatal(err)
		}
		if _, err := kept.Open(temp); err == nil {
			t.Error("accepted")
		}
	})
}

func TestLock(t *testing.T) {
	t.Parallel()
	dir, err := kept.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	const exclusive = syscall.LOCK_EX | syscall.LOCK_NB
	a, err := dir.Lock(kept.UsersLock, syscall.LOCK_SH)
	if err != nil {
		t.Fatal(err)
	}
	b, err := dir.Lock(kept.UsersLock, syscall.LOCK_SH|syscall.LOCK_NB)
	if err != nil {
		t.Fatalf("two users at once: %v", err)
	}
	a.Close()
	if _, err := dir.Lock(kept.UsersLock, exclusive); !errors.Is(err, syscall.EWOULDBLOCK) {
		t.Errorf("with one user left: %v", err)
	}
	b.Close()
	c, err := dir.Lock(kept.UsersLock, exclusive)
	if err != nil {
		t.Fatalf("without users: %v", err)
	}
	c.Close()
}
