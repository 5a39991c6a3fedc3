package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"
)

// server is the flag that names a running service.
type server struct {
	Server string `help:"Address of the service." env:"FADELEDGER_SERVER" default:"http://127.0.0.1:8080" placeholder:"URL"`
}

// problemError is an answer of the service that says what is wrong.
type problemError struct {
	status int
	title  string
	lines  []string
}

func (e *problemError) Error() string {
	return strings.Join(append([]string{e.title}, e.lines...), "\n  ")
}

// patience is how long a service that is not reached is waited for.
const patience = 2 * time.Minute

// call sends a request and decodes the answer into out, unless out is nil. A
// service that is not reached, or not ready, is asked again for a while.
func (s server) call(ctx context.Context, method, path string, header map[string]string, body []byte, out any) error {
	deadline := time.Now().Add(patience)
	for wait := 200 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
		err := s.once(ctx, method, path, header, body, out)
		var problem *problemError
		if err == nil || errors.As(err, &problem) && problem.status < 500 || ctx.Err() != nil || time.Now().After(deadline) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
	}
}

func (s server) once(ctx context.Context, method, path string, header map[string]string, body []byte, out any) error {
	req, err := http.NewRequestWithContext(ctx, method, strings.TrimRight(s.Server, "/")+path, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("ask %s: %w", s.Server, err)
	}
	for k, v := range header {
		if v != "" {
			req.Header.Set(k, v)
		}
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
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
		return fmt.Errorf("read the answer: %w", err)
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
		return &problemError{status: status, title: fmt.Sprintf("the service answered %d %s", status, http.StatusText(status))}
	}
	e := &problemError{status: status, title: doc.Detail}
	if e.title == "" {
		e.title = doc.Title
	}
	for _, x := range doc.Errors {
		e.lines = append(e.lines, strings.TrimPrefix(x.Location+": "+x.Message, ": "))
	}
	return e
}
