package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"
)

// server are the flags that name a running service and let its user in.
type server struct {
	Server    string `help:"Address of the service." env:"FADELEDGER_SERVER" default:"http://127.0.0.1:8080" placeholder:"URL"`
	TokenFile string `help:"File with the token that lets you in, or its text in FADELEDGER_TOKEN. A demo on this machine needs none." env:"FADELEDGER_TOKEN_FILE" placeholder:"FILE"`
}

// tokenEnv holds a token where no file does. It is no flag: other users can see
// those.
const tokenEnv = "FADELEDGER_TOKEN"

// token gives the token to show, empty for none.
func (s server) token() (string, error) { return secretOf(s.TokenFile, tokenEnv) }

// problemError is an answer of the service that says what is wrong.
type problemError struct {
	status int
	title  string
	lines  []string
}

func (e *problemError) Error() string {
	return strings.Join(append([]string{e.title}, e.lines...), "\n  ")
}

// passes reports whether another attempt may do better.
func (e *problemError) passes() bool {
	switch e.status {
	case http.StatusInternalServerError, http.StatusBadGateway, http.StatusServiceUnavailable, http.StatusGatewayTimeout:
		return true
	}
	return false
}

// errStopped is the end that the user asked for.
var errStopped = errors.New("stopped before the service answered; what it had answered before stays")

// final is an error that another attempt will not mend.
type final struct{ error }

func (f final) Unwrap() error { return f.error }

const (
	// patience is how long a service that is not reached is waited for.
	patience = 2 * time.Minute
	// connectWait and requestWait bound one attempt.
	connectWait = 5 * time.Second
	requestWait = time.Minute
)

// client asks services. The connection is given up sooner than the answer.
var client = &http.Client{
	Timeout: requestWait,
	Transport: &http.Transport{
		Proxy:               http.ProxyFromEnvironment,
		DialContext:         (&net.Dialer{Timeout: connectWait}).DialContext,
		TLSHandshakeTimeout: connectWait,
		IdleConnTimeout:     time.Minute,
	},
}

// check refuses an address that no request can go to.
func (s server) check() error {
	u, err := url.Parse(s.Server)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return fmt.Errorf("the address of the service %q is not whole: write it like http://127.0.0.1:8080", s.Server)
	}
	return nil
}

// call sends a request and decodes the answer into out, unless out is nil. A
// service that is not reached, or not ready, is asked again for a while.
func (s server) call(ctx context.Context, method, path string, header map[string]string, body []byte, out any) error {
	if err := s.check(); err != nil {
		return err
	}
	deadline := time.Now().Add(patience)
	told := false
	for wait := 200 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
		err := s.once(ctx, method, path, header, body, out)
		var problem *problemError
		switch {
		case ctx.Err() != nil && err != nil:
			return errStopped
		case err == nil, errors.As(err, &final{}), errors.As(err, &problem) && !problem.passes(), time.Now().After(deadline):
			return err
		case !told:
			told = true
			fmt.Fprintf(os.Stderr, "waiting for the service at %s: %v\n", s.Server, err)
		}
		select {
		case <-ctx.Done():
			return errStopped
		case <-time.After(wait):
		}
	}
}

func (s server) once(ctx context.Context, method, path string, header map[string]string, body []byte, out any) error {
	req, err := http.NewRequestWithContext(ctx, method, strings.TrimRight(s.Server, "/")+path, bytes.NewReader(body))
	if err != nil {
		return final{fmt.Errorf("ask %s: %w", s.Server, err)}
	}
	for k, v := range header {
		if v != "" {
			req.Header.Set(k, v)
		}
	}
	token, err := s.token()
	if err != nil {
		return final{err}
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	resp, err := client.Do(req)
	if err != nil {
		// Method and address are the user's own or known.
		if address := (*url.Error)(nil); errors.As(err, &address) {
			err = address.Err
		}
		return fmt.Errorf("ask the service: %w", err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(io.LimitReader(resp.Body, 64<<20))
	if err != nil {
		return fmt.Errorf("read the answer: %w", err)
	}
	if resp.StatusCode >= 300 {
		return problemOf(resp.StatusCode, b)
	}
	if out == nil {
		return nil
	}
	if err := json.Unmarshal(b, out); err != nil {
		return final{fmt.Errorf("the answer is not one of this service: %w; is %s its address?", err, s.Server)}
	}
	return nil
}

// problemOf reads a problem document (RFC 9457).
func problemOf(status int, b []byte) error {
	var doc struct {
		Title, Detail string
		Errors        []struct{ Message, Location string }
	}
	if json.Unmarshal(b, &doc) != nil || doc.Title+doc.Detail == "" {
		return &problemError{status: status, title: fmt.Sprintf("the answer is %d %s, and not in this service's form: is it the right address?", status, http.StatusText(status))}
	}
	e := &problemError{status: status, title: doc.Detail}
	if status == http.StatusUnauthorized {
		e.lines = append(e.lines, "an administrator makes tokens at /tokens, and whoever has the database with fadeledger tokens new; give yours with --token-file or in "+tokenEnv)
	}
	if e.title == "" {
		e.title = doc.Title
	}
	for _, x := range doc.Errors {
		e.lines = append(e.lines, strings.TrimPrefix(x.Location+": "+x.Message, ": "))
	}
	return e
}
