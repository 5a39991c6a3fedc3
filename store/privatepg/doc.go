// Package privatepg runs a Postgres cluster of fadeledger's own from binaries
// that are installed on the machine, for people who have no database server to
// hand: one process, one data directory, nothing on the network.
//
// It owns finding the binaries, making the cluster, starting it, and ending it
// with the process that started it, even when that process is killed. It holds
// no table and knows no schema. It must never open a TCP port: the cluster
// trusts whoever can reach its Unix socket, and only the directory around the
// socket (mode 0700) decides who that is.
//
//	Start ─► lock DATA.lock ─► initdb if new ─► forget a dead postmaster.pid
//	      ─► postgres + watcher ─► ready ─► CREATE DATABASE fadeledger
//
//	Stop, or the end of this process ─► SIGINT (fast shutdown) ─► unlock
//
// The watcher is a shell that blocks on a pipe only this process holds. When
// the process dies, by whatever cause, the pipe closes and the watcher sends
// Postgres the signal for a fast shutdown.
//
// It works on Unix only. Linux is what it was tried on; the paths for macOS and
// for the RPM family are written from their packages' layout.
package privatepg
