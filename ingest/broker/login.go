package broker

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

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
	// User is what it signs in as: the collector's name, or the name with a
	// point and a number, so that an old password and a new one are valid at a
	// time and no delivery waits for the change. Empty means the name.
	User      string
	Collector string
	// PasswordHash is what HashPassword gave.
	PasswordHash string
}

func (l Login) user() string {
	if l.User == "" {
		return l.Collector
	}
	return l.User
}

// CollectorOfUser gives the collector that a user signs in for. The error wraps
// ErrCollector where it is none of a Login.
func CollectorOfUser(user string) (string, error) {
	name, number, more := strings.Cut(user, ".")
	if err := CheckCollector(name); err != nil {
		return "", err
	}
	if n, err := strconv.Atoi(number); more && (err != nil || n < 0 || strconv.Itoa(n) != number) {
		return "", fmt.Errorf("%w: the user %.80q; it is the name of a collector, or the name with a point and a number", ErrCollector, user)
	}
	return name, nil
}

// passwordCost is far below what passwords of people need. These are made by
// machines and nobody guesses them; what counts is that after a restart every
// collector is let in at once, and that at each change of the logins the server
// checks those that are connected again.
const passwordCost = 6

// HashPassword hashes a collector's password for a Login, with bcrypt, the one
// kind of hash that the server checks by itself.
func HashPassword(password string) (string, error) {
	if len(password) < 16 {
		return "", errors.New("hash the password: it is shorter than 16 bytes; let a machine make one")
	}
	hash, err := bcrypt.GenerateFromPassword([]byte(password), passwordCost)
	if err != nil {
		return "", fmt.Errorf("hash the password: %w", err)
	}
	return string(hash), nil
}

// InboxPrefix gives the prefix under which a collector gets its answers. One
// of its own, since whoever may listen on a shared one reads the answers of
// others. Connect sets it from the user in the URL.
func InboxPrefix(collector string) string { return "_INBOX_" + collector }

// permissions gives the subjects that a collector may publish to and listen on.
// Everything else is denied.
func permissions(collector string) (publish, subscribe []string) {
	return []string{Subject(collector), ReceiptSubject(collector)}, []string{InboxPrefix(collector) + ".>"}
}

// serverUsers gives the server's users: this process, which may do everything,
// and the collectors.
func serverUsers(self *server.User, logins []Login) ([]*server.User, error) {
	users, err := collectorUsers(map[string]bool{self.Username: true}, logins)
	return append([]*server.User{self}, users...), err
}

// collectorUsers gives the users of logins, none of which may be in seen.
func collectorUsers(seen map[string]bool, logins []Login) ([]*server.User, error) {
	var users []*server.User
	for _, l := range logins {
		user := l.user()
		collector, err := CollectorOfUser(user)
		if err != nil {
			return nil, fmt.Errorf("login: %w", err)
		}
		if collector != l.Collector {
			return nil, fmt.Errorf("login %s: %w: it is not one of collector %q", user, ErrCollector, l.Collector)
		}
		if seen[user] {
			return nil, fmt.Errorf("login %s: it is there twice", user)
		}
		seen[user] = true
		// Anything else would be taken for the password itself.
		if _, err := bcrypt.Cost([]byte(l.PasswordHash)); err != nil {
			return nil, fmt.Errorf("login %s: %w", user, err)
		}
		publish, subscribe := permissions(l.Collector)
		users = append(users, &server.User{
			Username: user,
			Password: l.PasswordHash,
			Permissions: &server.Permissions{
				Publish:   &server.SubjectPermission{Allow: publish},
				Subscribe: &server.SubjectPermission{Allow: subscribe},
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
