package access

import (
	"net/http"
	"net/netip"
	"strings"
)

// address gives where a request came from: the peer, or, where that is a proxy
// that is trusted, the rightmost address of X-Forwarded-For that is not. What
// stands left of it was written by whoever sent it and is not believed. The zero
// Addr where it cannot be known, as on a Unix socket.
func address(r *http.Request, trusted []netip.Prefix) netip.Addr {
	at := parseAddress(r.RemoteAddr)
	if len(trusted) == 0 {
		return at
	}
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for i := len(hops) - 1; i >= 0 && within(at, trusted); i-- {
		before := parseAddress(strings.TrimSpace(hops[i]))
		if !before.IsValid() {
			break
		}
		at = before
	}
	return at
}

// parseAddress reads an address with or without a port.
func parseAddress(s string) netip.Addr {
	a, err := netip.ParseAddr(strings.Trim(s, "[]"))
	if err != nil {
		with, err := netip.ParseAddrPort(s)
		if err != nil {
			return netip.Addr{}
		}
		a = with.Addr()
	}
	return a.Unmap().WithZone("")
}

func within(a netip.Addr, prefixes []netip.Prefix) bool {
	for _, p := range prefixes {
		if p.Contains(a) {
			return true
		}
	}
	return false
}

// addressText is how an address stands in the trail, empty for none.
func addressText(a netip.Addr) string {
	if !a.IsValid() {
		return ""
	}
	return a.String()
}

// addressKey is what requests of an address are counted by. Of IPv6 it is the
// /64, all of which one household has.
func addressKey(text string) string {
	a, err := netip.ParseAddr(text)
	if err != nil || a.Is4() {
		return text
	}
	p, err := a.Prefix(64)
	if err != nil {
		return text
	}
	return p.String()
}
