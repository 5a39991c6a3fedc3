//go:build !linux

package rig

import "syscall"

// childAttributes keep a terminal's signals away from a child.
func childAttributes() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Setpgid: true}
}
