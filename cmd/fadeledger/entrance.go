package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"net/url"
	"os"
	"strings"
	"time"

	"fadeledger/analytics"
	"fadeledger/store"
	"fadeledger/web"
	"fadeledger/web/access"
)

// entrance are the flags that say how people reach the pages and sign in.
type entrance struct {
	PublicURL    string         `name:"public-url" help:"Address that people reach the pages at, such as https://ledger.example: behind a proxy, or with certificates." env:"FADELEDGER_PUBLIC_URL" placeholder:"URL"`
	TLSCert      string         `name:"tls-cert" help:"Certificate of the pages and the API (PEM); read again when it changes." env:"FADELEDGER_TLS_CERT" placeholder:"FILE"`
	TLSKey       string         `name:"tls-key" help:"Its key." env:"FADELEDGER_TLS_KEY" placeholder:"FILE"`
	TrustedProxy []netip.Prefix `name:"trusted-proxy" help:"Network of a proxy whose X-Forwarded-For is believed; may be given several times." env:"FADELEDGER_TRUSTED_PROXY" placeholder:"CIDR"`
	PlainHTTP    bool           `name:"plain-http" help:"Allow an address that others reach without TLS: passwords and telemetry can then be read on the way. For a closed network, or behind a proxy that has the certificate." env:"FADELEDGER_PLAIN_HTTP"`

	IdentityIssuer     string `name:"identity-issuer" help:"OpenID Connect provider to sign in with." env:"FADELEDGER_IDENTITY_ISSUER" placeholder:"URL"`
	IdentityClient     string `name:"identity-client" help:"Client id with that provider." env:"FADELEDGER_IDENTITY_CLIENT" placeholder:"ID"`
	IdentitySecretFile string `name:"identity-secret-file" help:"File with the client's secret." env:"FADELEDGER_IDENTITY_SECRET_FILE" placeholder:"FILE"`
	IdentityName       string `name:"identity-name" help:"What the button calls the provider." env:"FADELEDGER_IDENTITY_NAME" default:"your organisation's account"`
}

// listen opens the listener at once, so that a busy port fails at start.
func (e entrance) listen(ctx context.Context, address string, log *slog.Logger) (net.Listener, error) {
	if (e.TLSCert == "") != (e.TLSKey == "") {
		return nil, errors.New("--tls-cert and --tls-key go together")
	}
	if e.PublicURL != "" {
		if u, err := url.Parse(e.PublicURL); err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" || strings.Trim(u.Path, "/") != "" {
			return nil, fmt.Errorf("--public-url %q is not whole: write it like https://ledger.example", e.PublicURL)
		}
	}
	listener, err := listen(ctx, address)
	if err != nil {
		return nil, err
	}
	if e.TLSCert == "" {
		if !loopback(listener.Addr().String()) && !e.PlainHTTP {
			listener.Close()
			return nil, fmt.Errorf("%s can be reached by others, and what they send could be read on the way: give a certificate with --tls-cert and --tls-key, or say --plain-http where the network is closed or a proxy has the certificate", address)
		}
		return listener, nil
	}
	config, err := serverTLS(e.TLSCert, e.TLSKey, log)
	if err != nil {
		listener.Close()
		return nil, err
	}
	config.NextProtos = []string{"h2", "http/1.1"}
	return tls.NewListener(listener, config), nil
}

// listen opens a listener for pages.
func listen(ctx context.Context, address string) (net.Listener, error) {
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("listen for pages: %w; choose another address with --listen", err)
	}
	return listener, nil
}

// secure reports whether browsers come over https.
func (e entrance) secure() bool { return e.TLSCert != "" || strings.HasPrefix(e.PublicURL, "https://") }

// address gives the address of the first page as people type it.
func (e entrance) address(listening net.Addr) string {
	switch {
	case e.PublicURL != "":
		return strings.TrimRight(e.PublicURL, "/")
	case e.TLSCert != "":
		return "https://" + listening.String()
	}
	return "http://" + listening.String()
}

// hosts gives the names that are answered to, none for any. On a loopback
// address only its own names are, so that a foreign page cannot have its name
// point here. Elsewhere a foreign name gets nowhere: browsers keep what lets
// somebody in apart by name.
func (e entrance) hosts(listening net.Addr) []string {
	if loopback(listening.String()) && e.PublicURL == "" {
		return web.LoopbackHosts()
	}
	return nil
}

// gate makes the gate of a service.
func (e entrance) gate(db *store.DB, listening net.Addr, log *slog.Logger) (*access.Gate, error) {
	cfg := access.Config{Store: door{db}, Logger: log, Secure: e.secure(), Trusted: e.TrustedProxy}
	if e.IdentityIssuer != "" {
		identity := &access.IdentityConfig{
			Issuer: e.IdentityIssuer, ClientID: e.IdentityClient, Name: e.IdentityName,
			RedirectURL: e.address(listening) + "/sign-in/return",
		}
		if e.IdentitySecretFile != "" {
			secret, err := os.ReadFile(e.IdentitySecretFile)
			if err != nil {
				return nil, fmt.Errorf("read the identity provider's secret: %w", err)
			}
			identity.ClientSecret = strings.TrimSpace(string(secret))
		}
		cfg.Identity = identity
	}
	gate, err := access.New(cfg)
	if err != nil {
		return nil, fmt.Errorf("set up signing in: %w", err)
	}
	return gate, nil
}

// door is what signing in needs of the store.
type door struct{ *store.DB }

// BeginSignIn counts an attempt.
func (d door) BeginSignIn(ctx context.Context, login string) (access.Attempt, error) {
	a, err := d.DB.BeginSignIn(ctx, login)
	return access.Attempt(a), err
}

// firstCodeHolds is how long the console's link makes the first administrator.
const firstCodeHolds = 24 * time.Hour

// greet says where the pages are. As long as there is no administrator, it makes
// the link that makes the first one.
func greet(ctx context.Context, db *store.DB, address string) error {
	there, err := db.AnyAdministrator(ctx)
	if err != nil {
		return fmt.Errorf("look for an administrator: %w", err)
	}
	if there {
		fmt.Fprintln(os.Stderr, "the pages are at", address)
		return nil
	}
	now := time.Now()
	code, hash := access.NewCode()
	err = db.AddFirstCode(ctx, hash, analytics.Code{
		Kind: analytics.CodeFirst, MadeBy: "console",
		CreatedAt: analytics.InstantOf(now), ExpiresAt: analytics.InstantOf(now.Add(firstCodeHolds)),
	})
	if err != nil {
		return fmt.Errorf("make the first administrator's link: %w", err)
	}
	fmt.Fprintf(os.Stderr, `There is no administrator yet. Open this link once to become the first one (until %s UTC):

  %s/welcome#%s

`, now.Add(firstCodeHolds).UTC().Format("2006-01-02 15:04"), address, code)
	return nil
}
