package rig

import "syscall"

// childAttributes keep a terminal's signals away from a child and let it die
// with the harness.
func childAttributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
}
