package access

import (
	"net/http"
	"net/http/httptest"
	"net/netip"
	"testing"
)

func TestAddress(t *testing.T) {
	trusted := []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("fd00::/8")}
	for _, tc := range []struct {
		name, peer string
		forwarded  []string
		trusted    []netip.Prefix
		want       string
	}{
		{"no proxy", "203.0.113.7:4711", nil, nil, "203.0.113.7"},
		{"nobody is trusted", "203.0.113.7:4711", []string{"198.51.100.1"}, nil, "203.0.113.7"},
		{"the peer is not trusted", "203.0.113.7:4711", []string{"198.51.100.1"}, trusted, "203.0.113.7"},
		{"a proxy", "10.0.0.1:80", []string{"198.51.100.1"}, trusted, "198.51.100.1"},
		{"a proxy without a header", "10.0.0.1:80", nil, trusted, "10.0.0.1"},
		{"what the sender wrote before", "10.0.0.1:80", []string{"127.0.0.1, 198.51.100.1"}, trusted, "198.51.100.1"},
		{"what the sender wrote in a header of its own", "10.0.0.1:80", []string{"127.0.0.1", "198.51.100.1"}, trusted, "198.51.100.1"},
		{"a sender that names a proxy", "10.0.0.1:80", []string{"10.0.0.9, 198.51.100.1"}, trusted, "198.51.100.1"},
		{"two proxies", "10.0.0.1:80", []string{"127.0.0.1, 198.51.100.1, 10.0.0.2"}, trusted, "198.51.100.1"},
		{"proxies alone", "10.0.0.1:80", []string{"10.0.0.3,10.0.0.2"}, trusted, "10.0.0.3"},
		{"not an address", "10.0.0.1:80", []string{"198.51.100.1, unknown"}, trusted, "10.0.0.1"},
		{"with ports", "10.0.0.1:80", []string{"198.51.100.1:1234"}, trusted, "198.51.100.1"},
		{"IPv6", "[fd00::1]:80", []string{"2001:db8::7"}, trusted, "2001:db8::7"},
		{"IPv6 with port", "[fd00::1]:80", []string{"[2001:db8::7]:99"}, trusted, "2001:db8::7"},
		{"IPv6 with a zone", "[fe80::1%eth0]:80", nil, trusted, "fe80::1"},
		{"IPv4 in IPv6", "[::ffff:10.0.0.1]:80", []string{"::ffff:198.51.100.1"}, trusted, "198.51.100.1"},
		{"a Unix socket", "@", []string{"198.51.100.1"}, trusted, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := httptest.NewRequest(http.MethodGet, "/", nil)
			r.RemoteAddr = tc.peer
			for _, f := range tc.forwarded {
				r.Header.Add("X-Forwarded-For", f)
			}
			if got := addressText(address(r, tc.trusted)); got != tc.want {
				t.Errorf("%q, want %q", got, tc.want)
			}
		})
	}
}

func TestAddressKey(t *testing.T) {
	for text, want := range map[string]string{
		"203.0.113.7": "203.0.113.7", "2001:db8:1:2:3:4:5:6": "2001:db8:1:2::/64", "2001:db8:1:2::": "2001:db8:1:2::/64", "": "",
	} {
		if got := addressKey(text); got != want {
			t.Errorf("%q is counted by %q, want %q", text, got, want)
		}
	}
}

// Whoever is not a proxy cannot escape a limit by naming other addresses.
func TestForwardedForDoesNotEscapeLimits(t *testing.T) {
	r := newRig(t, func(c *Config) { c.Trusted = []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")} })
	b := r.browser()
	var codes []int
	for i := range 101 {
		b.header.Set("X-Forwarded-For", netip.AddrFrom4([4]byte{198, 51, 100, byte(i)}).String())
		codes = append(codes, b.send(http.MethodGet, "/", nil).Code)
	}
	if codes[99] != http.StatusOK || codes[100] != http.StatusTooManyRequests {
		t.Errorf("requests 100 and 101 answered %d and %d", codes[99], codes[100])
	}
	b.address = "10.0.0.1:80"
	b.header.Set("X-Forwarded-For", "198.51.100.77")
	b.wants("nobody")
}
