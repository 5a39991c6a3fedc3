package main

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

func TestAddressesThatCannotBeAsked(t *testing.T) {
	for _, address := range []string{"", "127.0.0.1:8080", "localhost:8080", "ftp://127.0.0.1", "http://", "/x", "http://a b"} {
		began := time.Now()
		err := server{Server: address}.call(t.Context(), http.MethodGet, "/", nil, nil, nil)
		if err == nil || !strings.Contains(err.Error(), "http://127.0.0.1:8080") || time.Since(began) > time.Second {
			t.Errorf("%q: %v after %s", address, err, time.Since(began))
		}
	}
}

func TestAnswersThatEndTheCall(t *testing.T) {
	for name, answer := range map[string]http.HandlerFunc{
		"not found":         http.NotFound,
		"not implemented":   func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNotImplemented) },
		"another service's": func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("<html>")) },
	} {
		t.Run(name, func(t *testing.T) {
			asked := 0
			ts := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				asked++
				answer(w, r)
			}))
			defer ts.Close()
			var out struct{}
			if err := (server{Server: ts.URL}).call(t.Context(), http.MethodGet, "/x", nil, nil, &out); err == nil || asked != 1 {
				t.Errorf("asked %d times: %v", asked, err)
			}
		})
	}
}

func TestUnreadyServiceIsAskedAgain(t *testing.T) {
	asked := 0
	ts := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		if asked++; asked < 3 {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
	}))
	defer ts.Close()
	if err := (server{Server: ts.URL}).call(t.Context(), http.MethodGet, "/", nil, nil, nil); err != nil || asked != 3 {
		t.Errorf("asked %d times: %v", asked, err)
	}
}

func TestStoppedWhileWaiting(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	err := server{Server: "http://" + freeAddress(t)}.call(ctx, http.MethodGet, "/", nil, nil, nil)
	if !errors.Is(err, errStopped) {
		t.Errorf("got %v", err)
	}
	load := loadCmd{server: server{Server: "http://" + freeAddress(t)}, Collector: "c-1", Files: []string{writeFile(t, "x.csv", "unit,time\n")}}
	ctx, cancel = context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if err := load.Run(ctx); err == nil || !strings.HasPrefix(err.Error(), "stopped; load the same files again") {
		t.Errorf("load: %v", err)
	}
}
