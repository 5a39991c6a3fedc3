package broker

import (
	"errors"
	"fmt"

	"github.com/nats-io/nats-server/v2/server"
	"golang.org/x/crypto/bcrypt"
)

// Login lets one collector connect from outside: to publish its own telemetry,
// to ask for its own receipts, to get the answers, and nothing else. It cannot
// read, neither its own deliveries nor those of others. The one thing that it
// can put under another's name is the server's text of an acknowledgement, by
// naming the other's subject for its own answer: a delivery that no decoder can
// read.
type Login struct {
	// Collector is the user name as well.
	Collector string
	// PasswordHash is what HashPassword gave.
	PasswordHash string
}

// HashPassword hashes a collector's password for a Login, with bcrypt, the one
// kind of hash that the server checks by itself.
func HashPassword(password string) (string, error) {
	if len(password) < 16 {
		return "", errors.New("hash the password: it is shorter than 16 bytes; let a machine make one")
	}
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.DefaultCost)
	if err != nil {
		return "", fmt.Errorf("hash the password: %w", err)
	}
	return string(hash), nil
}

// InboxPrefix gives the prefix under which a collector gets its answers. One
// of its own, since whoever may listen on a shared one reads the answers of
// others. Connect sets it from the user in the URL.
func InboxPrefix(collector string) string { return "_INBOX_" + collector }

// serverUsers gives the server's users: this process, which may do everything,
// and the collectors.
func serverUsers(self *server.User, logins []Login) ([]*server.User, error) {
	users := []*server.User{self}
	seen := map[string]bool{self.Username: true}
	for _, l := range logins {
		if err := CheckCollector(l.Collector); err != nil {
			return nil, fmt.Errorf("login: %w", err)
		}
		if seen[l.Collector] {
			return nil, fmt.Errorf("login of %s: it is there twice", l.Collector)
		}
		seen[l.Collector] = true
		// Anything else would be taken for the password itself.
		if _, err := bcrypt.Cost([]byte(l.PasswordHash)); err != nil {
			return nil, fmt.Errorf("login of %s: %w", l.Collector, err)
		}
		users = append(users, &server.User{
			Username: l.Collector,
			Password: l.PasswordHash,
			Permissions: &server.Permissions{
				Publish:   &server.SubjectPermission{Allow: []string{Subject(l.Collector), ReceiptSubject(l.Collector)}},
				Subscribe: &server.SubjectPermission{Allow: []string{InboxPrefix(l.Collector) + ".>"}},
			},
		})
	}
	return users, nil
}

// SetLogins replaces the collectors that may connect. Connections of those
// that may no longer are closed.
func (e *Embedded) SetLogins(logins []Login) error {
	if e.self == nil {
		return errors.New("set the broker's logins: it was started without any")
	}
	users, err := serverUsers(e.self, logins)
	if err != nil {
		return fmt.Errorf("set the broker's logins: %w", err)
	}
	e.reload.Lock()
	defer e.reload.Unlock()
	opts := e.opts.Clone()
	opts.Users = users
	if err := e.server.ReloadOptions(opts); err != nil {
		return fmt.Errorf("set the broker's logins: %w", err)
	}
	return nil
}
