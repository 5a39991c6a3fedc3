package broker

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"golang.org/x/crypto/bcrypt"
)

// WriteAuthorization writes the authorization block of a server's configuration
// file: the service's own user, who may do everything, and the collectors, who
// may do what an embedded server lets them do. Hashes are those of HashPassword
// or of any other tool for bcrypt. Nothing is written where one of them is wrong.
func WriteAuthorization(w io.Writer, service, serviceHash string, logins []Login) error {
	if service == "" || strings.ContainsFunc(service, notPrintable) {
		return errors.New("write the broker's users: the service's user has no name, or one that is not printable")
	}
	if _, err := bcrypt.Cost([]byte(serviceHash)); err != nil {
		return fmt.Errorf("write the broker's users: the hash of the service's password: %w", err)
	}
	users, err := collectorUsers(map[string]bool{service: true}, logins)
	if err != nil {
		return fmt.Errorf("write the broker's users: %w", err)
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "authorization {\n  timeout: %d\n  users: [\n", int(loginWithin.Seconds()))
	fmt.Fprintf(&b, "    {user: %s, password: %s}\n", strconv.Quote(service), strconv.Quote(serviceHash))
	for _, u := range users {
		fmt.Fprintf(&b, "    {user: %s, password: %s, permissions: {publish: {allow: %s}, subscribe: {allow: %s}}}\n",
			strconv.Quote(u.Username), strconv.Quote(u.Password), quoted(u.Permissions.Publish.Allow), quoted(u.Permissions.Subscribe.Allow))
	}
	b.WriteString("  ]\n}\n")
	_, err = b.WriteTo(w)
	return err
}

// quoted writes a list of subjects, in which quoting keeps $ from naming a
// variable.
func quoted(list []string) string {
	q := make([]string, len(list))
	for i, s := range list {
		q[i] = strconv.Quote(s)
	}
	return "[" + strings.Join(q, ", ") + "]"
}
