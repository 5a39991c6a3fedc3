package privatepg

import (
	"fmt"
	"maps"
	"slices"
)

// settings are the name=value pairs of the server's command line, sorted, with
// the caller's own on top.
func settings(c Config) []string {
	set := map[string]string{
		// Never a TCP port: see the package comment.
		"listen_addresses":        "",
		"unix_socket_permissions": "0700",
		// Reports are read by people in many zones; the ledger knows only UTC.
		"timezone":     "UTC",
		"log_timezone": "UTC",
		"lc_messages":  "C",
		// Our logger stamps the time. Statements of failed transactions would
		// put customers' values into the log: the caller gets the error anyway.
		"log_line_prefix":         "",
		"log_min_error_statement": "panic",
		"logging_collector":       "off",
		"max_connections":         "100",
		// Full page images after a checkpoint are the largest part of the log.
		"wal_compression": "on",
		// Uploads come in bursts: few, long, even checkpoints.
		"max_wal_size":       "4GB",
		"checkpoint_timeout": "15min",
		"shared_buffers":     fmt.Sprintf("%dMB", sharedBuffersMB(memoryBytes())),
	}
	if !c.Durable {
		maps.Copy(set, map[string]string{
			"fsync":              "off",
			"synchronous_commit": "off",
			// Packages test side by side against one server.
			"max_connections": "300",
			"shared_buffers":  "128MB",
		})
	}
	maps.Copy(set, c.Settings)
	out := make([]string, 0, len(set))
	for _, name := range slices.Sorted(maps.Keys(set)) {
		out = append(out, name+"="+set[name])
	}
	return out
}

// sharedBuffersMB is a quarter of the memory, the common rule for a dedicated
// server, but at most 512 MB: here the workers and the broker share the
// machine, and the operating system's cache serves the rest. Memory of 0 means
// unknown and gives 256.
func sharedBuffersMB(memory uint64) uint64 {
	if memory == 0 {
		return 256
	}
	return max(16, min(512, memory/4>>20))
}
