package privatepg

import (
	"bytes"
	"fmt"
	"os"
	"syscall"
)

// defaultLocale sorts by code point and knows the classes of all of Unicode.
const defaultLocale = "C.UTF-8"

// postmasterRuns reports whether process pid is a live postmaster of dir. A
// zombie is not: it has neither a working directory nor a command line. Either
// sign is enough, since a hardened kernel may hide the first.
func postmasterRuns(pid int, dir string) bool {
	if pid <= 0 {
		return false
	}
	if cwd, err := os.Readlink(fmt.Sprintf("/proc/%d/cwd", pid)); err == nil && cwd == dir {
		return true
	}
	args, err := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid))
	if err != nil {
		return false
	}
	fields := bytes.Split(args, []byte{0})
	for i := 1; i < len(fields); i++ {
		if string(fields[i-1]) == "-D" && string(fields[i]) == dir {
			return true
		}
	}
	return false
}

// memoryBytes is the machine's memory, 0 when unknown.
func memoryBytes() uint64 {
	var info syscall.Sysinfo_t
	if err := syscall.Sysinfo(&info); err != nil {
		return 0
	}
	return uint64(info.Totalram) * uint64(info.Unit)
}
