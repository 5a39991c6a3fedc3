package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// writePair makes a certificate for 127.0.0.1 and gives it.
func writePair(t *testing.T, dir string) *x509.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"cert.pem": {Type: "CERTIFICATE", Bytes: der}, "key.pem": {Type: "EC PRIVATE KEY", Bytes: raw}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return cert
}

func TestCertificateIsReadAgain(t *testing.T) {
	dir := t.TempDir()
	certFile, keyFile := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	if _, err := serverTLS(certFile, keyFile, discard()); err == nil {
		t.Fatal("files that are not there are taken")
	}
	first := writePair(t, dir)
	var said strings.Builder
	config, err := serverTLS(certFile, keyFile, slog.New(slog.NewTextHandler(&said, nil)))
	if err != nil {
		t.Fatal(err)
	}
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: http.NotFoundHandler(), ErrorLog: slog.NewLogLogger(slog.DiscardHandler, slog.LevelInfo)}
	go server.Serve(tls.NewListener(inner, config))
	t.Cleanup(func() { server.Close() })
	shown := func() (serial string, version uint16) {
		t.Helper()
		conn, err := tls.Dial("tcp", inner.Addr().String(), &tls.Config{InsecureSkipVerify: true})
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		state := conn.ConnectionState()
		return state.PeerCertificates[0].SerialNumber.String(), state.Version
	}
	expect := func(what string, want *x509.Certificate) {
		t.Helper()
		deadline := time.Now().Add(5 * time.Second)
		for {
			serial, _ := shown()
			if serial == want.SerialNumber.String() {
				return
			}
			if time.Now().After(deadline) {
				t.Fatalf("%s: %s is shown", what, serial)
			}
			time.Sleep(50 * time.Millisecond)
		}
	}
	expect("at the start", first)
	if _, version := shown(); version != tls.VersionTLS13 {
		t.Errorf("version %x", version)
	}
	for version, want := range map[uint16]bool{tls.VersionTLS11: false, tls.VersionTLS12: true} {
		conn, err := tls.Dial("tcp", inner.Addr().String(), &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS10, MaxVersion: version})
		if (err == nil) != want {
			t.Errorf("version %x: %v", version, err)
		}
		if err == nil {
			conn.Close()
		}
	}
	second := writePair(t, dir)
	expect("replaced", second)
	// Half of a pair, then none: the old one goes on.
	if err := os.WriteFile(certFile, []byte("-----BEGIN"), 0o600); err != nil {
		t.Fatal(err)
	}
	time.Sleep(pairEvery + 100*time.Millisecond)
	expect("spoilt", second)
	if err := os.Remove(keyFile); err != nil {
		t.Fatal(err)
	}
	time.Sleep(pairEvery + 100*time.Millisecond)
	expect("gone", second)
	if text := said.String(); strings.Count(text, "the old one goes on") != 2 {
		t.Errorf("said:\n%s", text)
	}
	expect("there again", writePair(t, dir))
}
