package access

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
)

// IdentityConfig is an OpenID Connect provider.
type IdentityConfig struct {
	// Issuer is its address, https unless on this machine.
	Issuer string
	// ClientID and ClientSecret are what this site is known by there; the
	// secret may be empty, PKCE is used in any case.
	ClientID, ClientSecret string
	// RedirectURL is the page of this site that calls IdentityReturn.
	RedirectURL string
	// Name is shown on the button; empty means the host of the issuer.
	Name string
	// Client asks the provider; nil means one that waits ten seconds.
	Client *http.Client
}

// identity signs people in by a provider.
type identity struct {
	cfg IdentityConfig
	now func() time.Time

	mu    sync.Mutex
	found *provider
}

// provider is what discovery found out.
type provider struct {
	oauth    oauth2.Config
	verifier *oidc.IDTokenVerifier
}

func newIdentity(cfg IdentityConfig, now func() time.Time) (*identity, error) {
	if cfg.ClientID == "" {
		return nil, errors.New("identity provider: a client id is needed")
	}
	for what, text := range map[string]string{"issuer": cfg.Issuer, "redirect URL": cfg.RedirectURL} {
		u, err := url.Parse(text)
		if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
			return nil, fmt.Errorf("identity provider: the %s is not an https address", what)
		}
		if u.Scheme == "http" && !onThisMachine(u.Hostname()) {
			return nil, fmt.Errorf("identity provider: the %s must be an https address", what)
		}
		if what == "issuer" && cfg.Name == "" {
			cfg.Name = u.Hostname()
		}
	}
	if cfg.Client == nil {
		cfg.Client = &http.Client{Timeout: 10 * time.Second}
	}
	return &identity{cfg: cfg, now: now}, nil
}

// onThisMachine reports whether nothing between can read along.
func onThisMachine(host string) bool {
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}

// provider asks the provider about itself, once it answers. The service starts
// without it.
func (i *identity) provider(ctx context.Context) (*provider, error) {
	i.mu.Lock()
	found := i.found
	i.mu.Unlock()
	if found != nil {
		return found, nil
	}
	p, err := oidc.NewProvider(oidc.ClientContext(ctx, i.cfg.Client), i.cfg.Issuer)
	if err != nil {
		return nil, fmt.Errorf("ask the identity provider about itself: %w", err)
	}
	endpoint := p.Endpoint()
	if endpoint.AuthStyle, err = i.authStyle(p); err != nil {
		return nil, err
	}
	found = &provider{
		oauth: oauth2.Config{
			ClientID: i.cfg.ClientID, ClientSecret: i.cfg.ClientSecret, Endpoint: endpoint,
			RedirectURL: i.cfg.RedirectURL, Scopes: []string{oidc.ScopeOpenID, "email"},
		},
		verifier: p.Verifier(&oidc.Config{ClientID: i.cfg.ClientID, Now: i.now}),
	}
	i.mu.Lock()
	i.found = found
	i.mu.Unlock()
	return found, nil
}

// authStyle is how the provider wants the secret. Left open, a code that is not
// taken would be sent a second time in the other way.
func (i *identity) authStyle(p *oidc.Provider) (oauth2.AuthStyle, error) {
	var said struct {
		Methods []string `json:"token_endpoint_auth_methods_supported"`
	}
	if err := p.Claims(&said); err != nil {
		return 0, fmt.Errorf("read what the identity provider says about itself: %w", err)
	}
	basic := len(said.Methods) == 0 || slices.Contains(said.Methods, "client_secret_basic")
	if i.cfg.ClientSecret == "" || !basic {
		return oauth2.AuthStyleInParams, nil
	}
	return oauth2.AuthStyleInHeader, nil
}

// identityOf is whom a provider vouches for; email is empty unless verified.
type identityOf struct{ subject, email string }

// vouched checks what came back, and gives for whom the provider vouches.
func (i *identity) vouched(ctx context.Context, a asking, query url.Values) (identityOf, error) {
	refuse := func(why string) (identityOf, error) { return identityOf{}, fmt.Errorf("%w: %s", ErrIdentity, why) }
	switch {
	case a.state == "":
		return refuse("nothing was asked of it by this browser, or long ago")
	case subtle.ConstantTimeCompare([]byte(query.Get("state")), []byte(a.state)) != 1:
		return refuse("the answer is to another question")
	case query.Has("iss") && query.Get("iss") != i.cfg.Issuer: // RFC 9207
		return refuse("the answer is another provider's")
	case query.Get("error") != "":
		return refuse("it says " + plain(query.Get("error"), toldLogin))
	}
	p, err := i.provider(ctx)
	if err != nil {
		return identityOf{}, err
	}
	ctx = oidc.ClientContext(ctx, i.cfg.Client)
	answer, err := p.oauth.Exchange(ctx, query.Get("code"), oauth2.VerifierOption(a.verifier))
	if err != nil {
		return refuse("it does not take the code: " + reason(err))
	}
	raw, _ := answer.Extra("id_token").(string)
	if raw == "" {
		return refuse("it sent no id token")
	}
	token, err := p.verifier.Verify(ctx, raw)
	if err != nil {
		return refuse(err.Error())
	}
	if subtle.ConstantTimeCompare([]byte(token.Nonce), []byte(a.nonce)) != 1 {
		return refuse("the id token has another nonce")
	}
	var said struct {
		Email    string `json:"email"`
		Verified any    `json:"email_verified"` // some write "true"
		Party    string `json:"azp"`
	}
	if err := token.Claims(&said); err != nil {
		return refuse("the id token cannot be read")
	}
	if said.Party != "" && said.Party != i.cfg.ClientID || said.Party == "" && len(token.Audience) > 1 || token.Subject == "" {
		return refuse("the id token was made for somebody else")
	}
	if said.Verified != true && said.Verified != "true" {
		said.Email = ""
	}
	return identityOf{token.Subject, said.Email}, nil
}

// reason says why a provider did not answer as it should, without what it or
// this site sent: the answer may repeat secrets.
func reason(err error) string {
	var told *oauth2.RetrieveError
	var network net.Error
	switch {
	case errors.As(err, &told) && told.ErrorCode != "":
		return plain(told.ErrorCode, toldLogin)
	case errors.As(err, &told) && told.Response != nil:
		return told.Response.Status
	case errors.As(err, &network):
		return "it cannot be reached"
	}
	return "it does not answer as it should"
}
