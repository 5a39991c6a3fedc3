//go:build !linux

package privatepg

import (
	"os/exec"
	"strconv"
	"strings"
)

// defaultLocale sorts by code point; the C.UTF-8 of Linux is not on every
// other system.
const defaultLocale = "C"

// postmasterRuns reports whether process pid is a live postmaster of dir, as
// far as ps can tell. A zombie is not.
func postmasterRuns(pid int, dir string) bool {
	if pid <= 0 {
		return false
	}
	out, err := exec.Command("ps", "-o", "state=,args=", "-p", strconv.Itoa(pid)).Output()
	if err != nil {
		return false
	}
	line := strings.TrimSpace(string(out))
	return !strings.HasPrefix(line, "Z") && strings.Contains(line, "-D "+dir)
}

// memoryBytes is 0: unknown.
func memoryBytes() uint64 {
	return 0
}
