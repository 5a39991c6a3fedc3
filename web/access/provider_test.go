package access

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/go-jose/go-jose/v4"
)

// What this site is known by at the provider of the tests.
const (
	clientID     = "ledger-site"
	clientSecret = "between-site-and-provider"
)

// vouching is an OpenID Connect provider that vouches for whomever a test says.
type vouching struct {
	*httptest.Server
	t      *testing.T
	key    crypto.Signer
	alg    jose.SignatureAlgorithm
	pubs   jose.JSONWebKeySet
	asked  map[string]url.Values // by code, what the browser asked with
	claims func(url.Values) map[string]any
	// sign, if set, is used in the place of the published key.
	sign crypto.Signer
	// exchanged are the answers to codes, by status.
	exchanged []int
}

func newVouching(t *testing.T, alg jose.SignatureAlgorithm) *vouching {
	t.Helper()
	v := &vouching{t: t, alg: alg, asked: map[string]url.Values{}}
	v.key = newKey(t, alg)
	v.pubs.Keys = []jose.JSONWebKey{{Key: v.key.Public(), KeyID: "one", Algorithm: string(alg), Use: "sig"}}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, 200, map[string]any{
			"issuer": v.URL, "authorization_endpoint": v.URL + "/ask", "token_endpoint": v.URL + "/token",
			"jwks_uri": v.URL + "/keys", "id_token_signing_alg_values_supported": []string{string(alg)},
		})
	})
	mux.HandleFunc("GET /keys", func(w http.ResponseWriter, _ *http.Request) { answer(w, 200, v.pubs) })
	mux.HandleFunc("POST /token", v.handleToken)
	v.Server = httptest.NewServer(mux)
	t.Cleanup(v.Close)
	return v
}

func newKey(t *testing.T, alg jose.SignatureAlgorithm) crypto.Signer {
	t.Helper()
	if alg == jose.ES256 {
		key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		return key
	}
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func answer(w http.ResponseWriter, status int, body any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(body)
}

// handleToken exchanges a code, once, for whoever knows the secret and what the
// code challenge (RFC 7636) was made of.
func (v *vouching) handleToken(w http.ResponseWriter, r *http.Request) {
	refuse := func(why string) {
		v.exchanged = append(v.exchanged, http.StatusBadRequest)
		answer(w, http.StatusBadRequest, map[string]string{"error": why, "error_description": "sent was " + r.PostForm.Encode()})
	}
	id, secret, ok := r.BasicAuth()
	if err := r.ParseForm(); err != nil || !ok || id != clientID || secret != clientSecret {
		refuse("invalid_client")
		return
	}
	code := r.PostForm.Get("code")
	asked, ok := v.asked[code]
	delete(v.asked, code)
	sum := sha256.Sum256([]byte(r.PostForm.Get("code_verifier")))
	challenge := base64.RawURLEncoding.EncodeToString(sum[:])
	if !ok || asked.Get("code_challenge_method") != "S256" || asked.Get("code_challenge") != challenge ||
		r.PostForm.Get("redirect_uri") != asked.Get("redirect_uri") {
		refuse("invalid_grant")
		return
	}
	v.exchanged = append(v.exchanged, http.StatusOK)
	answer(w, http.StatusOK, map[string]any{
		"access_token": "not-used", "token_type": "Bearer", "id_token": v.token(v.claims(asked)),
	})
}

// token signs claims.
func (v *vouching) token(claims map[string]any) string {
	key := v.key
	if v.sign != nil {
		key = v.sign
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: v.alg, Key: jose.JSONWebKey{Key: key, KeyID: "one"}}, nil)
	if err != nil {
		v.t.Error(err)
		return ""
	}
	body, _ := json.Marshal(claims)
	signed, err := signer.Sign(body)
	if err != nil {
		v.t.Error(err)
		return ""
	}
	text, _ := signed.CompactSerialize()
	return text
}

// vouchFor makes the provider vouch for somebody; more replaces claims.
func (v *vouching) vouchFor(r *rig, subject, email string, more map[string]any) {
	v.claims = func(asked url.Values) map[string]any {
		claims := map[string]any{
			"iss": v.URL, "aud": clientID, "sub": subject, "nonce": asked.Get("nonce"), "email": email, "email_verified": true,
			"iat": r.clock.Unix(), "exp": r.clock.Unix() + 300,
		}
		maps.Copy(claims, more)
		return claims
	}
}

// ask has the browser go to the provider; it gives with what it came there.
func (v *vouching) ask(b *browser, to string) url.Values {
	b.t.Helper()
	w := b.send(http.MethodGet, "/identity?to="+url.QueryEscape(to), nil)
	there, found := strings.CutPrefix(w.Header().Get("Location"), v.URL+"/ask?")
	if !found {
		b.t.Fatalf("led to %q: %v", w.Header().Get("Location"), b.last)
	}
	asked, err := url.ParseQuery(there)
	if err != nil {
		b.t.Fatal(err)
	}
	return asked
}

// back has the browser come back from the provider, and gives where it is led.
func (v *vouching) back(b *browser, asked url.Values, change func(url.Values)) (to string, err error) {
	b.t.Helper()
	code := rand.Text()
	v.asked[code] = asked
	answer := url.Values{"state": {asked.Get("state")}, "code": {code}}
	if change != nil {
		change(answer)
	}
	w := b.send(http.MethodGet, "/return?"+answer.Encode(), nil)
	return w.Header().Get("Location"), b.last
}
