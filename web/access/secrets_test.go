package access

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"fadeledger/analytics"
)

// Neither the log nor the trail holds a secret, whatever goes right or wrong.
func TestNoSecretIsTold(t *testing.T) {
	const chosen, wrong, login = "nine pears under a bridge", "guessed by somebody", "mira"
	r, v := newIdentityRig(t, jose.ES256)
	secrets := map[string]string{
		"password": mirasPassword, "wrong password": wrong, "chosen password": chosen, "client secret": clientSecret,
	}
	b := r.browser()
	b.post("/sign-in", "login", login, "password", wrong)
	b.signIn(login, mirasPassword)
	secrets["cookie"] = b.cookie
	r.wait(2 * time.Minute)
	b.wants("mira")
	b.post("/password", "old", wrong, "new", chosen)
	b.post("/password", "old", mirasPassword, "new", chosen)
	secrets["renewed cookie"] = b.cookie
	b.post("/sign-out")

	machine := r.browser()
	secrets["token"] = r.token(nil)
	secrets["unknown token"], _ = NewToken()
	secrets["malformed token"] = "fl_something-malformed"
	for _, name := range []string{"token", "unknown token", "malformed token"} {
		machine.header.Set("Authorization", "Bearer "+secrets[name])
		machine.send(http.MethodGet, "/", nil)
	}

	secrets["code"] = r.code(analytics.CodeRecovery, 1)
	secrets["unknown code"], _ = NewCode()
	b.post("/code", "code", secrets["unknown code"])
	b.post("/welcome", "code", secrets["code"], "password", chosen)
	secrets["cookie after the code"] = b.cookie

	other := r.browser()
	asked := v.ask(other, "/")
	secrets["cookie of who asks the provider"] = other.cookie
	secrets["state"], secrets["nonce"] = asked.Get("state"), asked.Get("nonce")
	v.back(other, asked, func(q url.Values) { q.Set("code", "caught-on-the-way") })
	secrets["code of the provider"] = "caught-on-the-way"
	v.vouchFor(r, "subject-1", "mira@example.org", map[string]any{"aud": "another"})
	asked = v.ask(other, "/")
	v.back(other, asked, nil)
	v.vouchFor(r, "subject-1", "mira@example.org", nil)
	v.back(other, v.ask(other, "/"), nil)
	secrets["cookie by the provider"] = other.cookie

	r.store.hashes[1] = "$unreadable$" + chosen
	b.post("/sign-in", "login", login, "password", chosen)
	r.store.broken = true
	for _, name := range []string{"cookie", "token"} {
		machine.header.Del("Authorization")
		if name == "token" {
			machine.header.Set("Authorization", "Bearer "+secrets[name])
		}
		machine.cookie = secrets["cookie by the provider"]
		if w := machine.send(http.MethodGet, "/", nil); w.Code != http.StatusServiceUnavailable {
			t.Errorf("by %s answered %d while the store is away", name, w.Code)
		}
	}

	told := r.log.String()
	for _, e := range r.store.trail {
		told += "\n" + e.Object + " " + e.Detail + " " + e.Who
	}
	for name, secret := range secrets {
		if secret == "" {
			t.Errorf("there was no %s", name)
		} else if strings.Contains(told, secret) {
			t.Errorf("the %s is told", name)
		}
	}
	if !strings.Contains(r.log.String(), "refused") || !strings.Contains(r.log.String(), "cannot be found out") ||
		!strings.Contains(r.log.String(), "cannot be read") || len(r.store.trail) < 10 {
		t.Errorf("the run told too little to show anything: %d entries, log\n%s", len(r.store.trail), r.log.String())
	}
}
