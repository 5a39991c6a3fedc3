// Package rig plays fault schedules against the real service: the program's
// own worker processes, a broker process and a Postgres, each behind a proxy
// that spoils what passes, and collectors that keep every batch until it is
// confirmed.
//
//	collector ─► proxy ─► broker ◄─ proxy ◄─ worker ─► proxy ─► Postgres
//	    │                   │                   │                   │
//	  spool              SIGKILL,            SIGKILL,            SIGKILL of
//	                   older files         SIGSTOP, …         postmaster, backend
//
// A Schedule is data and follows from a seed. Run plays one, heals everything,
// waits until nothing is left to do and compares every unit, every delivery and
// the quarantine with what was offered.
//
// A program that uses the package calls Child first thing: the broker is a
// child process of the same executable.
package rig
