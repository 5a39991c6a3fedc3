package deploy_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"fadeledger/ingest/broker"
)

// The settings with open doors run with users as the service writes them: over
// TLS, the service and a collector are let in, and nobody without a password or
// without TLS; the collector gets no further than its own subject.
func TestBrokerWithCollectorsRuns(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	certificate := writeCertificate(t, dir)
	hash := func(password string) string {
		h, err := broker.HashPassword(password)
		if err != nil {
			t.Fatal(err)
		}
		return h
	}
	const collectorPassword = "q7d1b3a8-invented"
	var users bytes.Buffer
	if err := broker.WriteAuthorization(&users, "fadeledger", hash(brokerPassword), []broker.Login{{Collector: "gateway-1", PasswordHash: hash(collectorPassword)}}); err != nil {
		t.Fatal(err)
	}
	conf := strings.ReplaceAll(readFile(t, "nats-collectors.conf"), "/etc/fadeledger", dir)
	for name, text := range map[string]string{"authorization.conf": users.String(), "nats.conf": conf} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	opts, err := server.ProcessConfigFile(filepath.Join(dir, "nats.conf"))
	if err != nil {
		t.Fatal(err)
	}
	if !opts.JetStream || !opts.SyncAlways || opts.StoreDir != "/data" || opts.TLSConfig == nil || opts.HTTPHost != "127.0.0.1" {
		t.Errorf("JetStream %v, sync always %v in %s, TLS %v, monitoring on %s", opts.JetStream, opts.SyncAlways, opts.StoreDir, opts.TLSConfig != nil, opts.HTTPHost)
	}
	opts.Host, opts.Port, opts.HTTPPort = "127.0.0.1", server.RANDOM_PORT, 0
	opts.StoreDir = filepath.Join(dir, "data")
	opts.NoSigs, opts.NoLog = true, true
	s, err := server.NewServer(opts)
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(20 * time.Second) {
		t.Fatal("the broker is not ready after 20 s")
	}
	connect := func(options ...nats.Option) (*nats.Conn, error) { return nats.Connect(s.ClientURL(), options...) }
	trust := nats.RootCAs(certificate)
	for name, options := range map[string][]nats.Option{
		"no password":    {trust},
		"wrong password": {trust, nats.UserInfo("gateway-1", brokerPassword)},
		"no trust":       {nats.UserInfo("gateway-1", collectorPassword)},
	} {
		if nc, err := connect(options...); err == nil {
			nc.Close()
			t.Errorf("%s: connected", name)
		}
	}
	service, err := connect(trust, nats.UserInfo("fadeledger", brokerPassword))
	if err != nil {
		t.Fatal(err)
	}
	defer service.Close()
	heard, err := service.SubscribeSync("telemetry.*")
	if err != nil {
		t.Fatal(err)
	}
	if err := service.Flush(); err != nil {
		t.Fatal(err)
	}
	collector, err := connect(trust, nats.UserInfo("gateway-1", collectorPassword), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		t.Fatal(err)
	}
	defer collector.Close()
	for _, subject := range []string{"telemetry.gateway-2", "telemetry.gateway-1"} {
		if err := collector.Publish(subject, []byte("x")); err != nil {
			t.Fatal(err)
		}
	}
	if m, err := heard.NextMsg(5 * time.Second); err != nil || m.Subject != "telemetry.gateway-1" {
		t.Errorf("first heard: %+v, %v", m, err)
	}
}

// writeCertificate makes broker.pem and broker.key for 127.0.0.1, and gives the
// file to trust.
func writeCertificate(t *testing.T, dir string) string {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"broker.pem": {Type: "CERTIFICATE", Bytes: der}, "broker.key": {Type: "EC PRIVATE KEY", Bytes: raw}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "broker.pem")
}
