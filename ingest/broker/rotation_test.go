package broker_test

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/binary"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"fadeledger/ingest/broker"
)

// TestPasswordsChangeWithoutAPause: while a collector publishes, a second login
// of it comes, it changes to that, and the first goes. Every delivery is stored.
func TestPasswordsChangeWithoutAPause(t *testing.T) {
	old := login(t, "c-07", password)
	next := login(t, "c-07", otherPassword)
	next.User = "c-07.2"
	bystander := login(t, "c-08", otherPassword)
	b := start(t, broker.EmbeddedConfig{Listen: "127.0.0.1:0", Logins: []broker.Login{old, bystander}}, broker.Config{Partitions: 1})
	beside := b.as(t, "c-08:"+otherPassword)
	var lost atomic.Int32
	beside.SetDisconnectErrHandler(func(*nats.Conn, error) { lost.Add(1) })
	first := b.as(t, "c-07:"+password)
	closed := make(chan error, 1)
	first.SetDisconnectErrHandler(func(_ *nats.Conn, err error) {
		select {
		case closed <- err:
		default:
		}
	})
	stored := 0
	send := func(nc *nats.Conn, n int) {
		t.Helper()
		p, err := broker.NewPublisher(nc, broker.PublisherConfig{Logger: quiet(t)})
		if err != nil {
			t.Fatal(err)
		}
		for range n {
			publish(t, p, "c-07", csv("", fmt.Sprint(stored)))
			stored++
		}
	}
	send(first, 10)
	if err := b.embedded.SetLogins([]broker.Login{old, next, bystander}); err != nil {
		t.Fatal(err)
	}
	send(first, 10)
	second := b.as(t, "c-07.2:"+otherPassword)
	send(second, 10)
	if err := b.embedded.SetLogins([]broker.Login{next, bystander}); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	select {
	case <-closed:
		if took := time.Since(began); took > time.Second {
			t.Errorf("the dropped login was cut off after %v", took)
		}
	case <-time.After(5 * time.Second):
		t.Error("the connection of the dropped login lives on")
	}
	send(second, 10)
	if state, err := broker.State(t.Context(), b.stream); err != nil || state.Messages != uint64(stored) {
		t.Errorf("%d sent, %+v stored, %v", stored, state, err)
	}
	// The same user with another password: who knows the old one goes.
	renewed := login(t, "c-07", password+"-new")
	renewed.User = "c-07.2"
	gone := make(chan struct{}, 1)
	second.SetDisconnectErrHandler(func(*nats.Conn, error) { gone <- struct{}{} })
	if err := b.embedded.SetLogins([]broker.Login{renewed, bystander}); err != nil {
		t.Fatal(err)
	}
	select {
	case <-gone:
	case <-time.After(5 * time.Second):
		t.Error("the connection with a replaced password lives on")
	}
	if n := lost.Load(); n != 0 {
		t.Errorf("another collector lost its connection %d times", n)
	}
	for name, bad := range map[string]broker.Login{
		"another's user":     {User: "c-08.2", Collector: "c-07", PasswordHash: old.PasswordHash},
		"no number":          {User: "c-07.x", Collector: "c-07", PasswordHash: old.PasswordHash},
		"a number like 02":   {User: "c-07.02", Collector: "c-07", PasswordHash: old.PasswordHash},
		"this process' user": {User: "fadeledger.self", Collector: "fadeledger", PasswordHash: old.PasswordHash},
	} {
		if err := b.embedded.SetLogins([]broker.Login{bad}); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
}

// mqtt is a client of MQTT 3.1.1 (OASIS standard of 2014), by hand.
type mqtt struct {
	t    *testing.T
	conn net.Conn
	in   *bufio.Reader
}

func mqttText(s string) string { return string(binary.BigEndian.AppendUint16(nil, uint16(len(s)))) + s }

func (m *mqtt) packet(kind byte, body string) {
	m.t.Helper()
	if _, err := m.conn.Write(append([]byte{kind, byte(len(body))}, body...)); err != nil {
		m.t.Log(err) // the server may have closed it, which the next answer tells
	}
}

// answer reads n bytes, fewer where the server closes the connection.
func (m *mqtt) answer(n int) string {
	m.t.Helper()
	got := make([]byte, n)
	n, err := io.ReadFull(m.in, got)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		m.t.Log(err)
	}
	return string(got[:n])
}

// mqttConnect says CONNECT with user and password, and gives the return code.
func mqttConnect(t *testing.T, conn net.Conn, user, password string) (*mqtt, byte) {
	t.Helper()
	t.Cleanup(func() { conn.Close() })
	if err := conn.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	m := &mqtt{t, conn, bufio.NewReader(conn)}
	flags, login := "\x02", ""
	if user != "" {
		flags, login = "\xc2", mqttText(user)+mqttText(password)
	}
	m.packet(0x10, mqttText("MQTT")+"\x04"+flags+"\x00\x3c"+mqttText("client-"+rand.Text())+login)
	answer := m.answer(4)
	if len(answer) < 4 {
		return m, 0xff
	}
	return m, answer[3]
}

func TestMQTTLogins(t *testing.T) {
	second := login(t, "c-07", otherPassword)
	second.User = "c-07.2"
	logins := []broker.Login{login(t, "c-07", password), second, login(t, "c-08", otherPassword)}
	b := start(t, broker.EmbeddedConfig{MQTT: "127.0.0.1:0", Logins: logins}, broker.Config{Partitions: 1})
	connect := func(user, password string) (*mqtt, byte) {
		t.Helper()
		conn, err := net.Dial("tcp", b.embedded.MQTTAddress())
		if err != nil {
			t.Fatal(err)
		}
		return mqttConnect(t, conn, user, password)
	}
	for name, who := range map[string][2]string{
		"nobody": {"", ""}, "wrong password": {"c-07", otherPassword}, "unknown": {"c-09", password}, "this process": {"fadeledger.self", ""},
	} {
		if _, code := connect(who[0], who[1]); code == 0 {
			t.Errorf("%s is let in", name)
		}
	}
	last := func() uint64 {
		info, err := b.stream.Info(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return info.State.LastSeq
	}
	for _, who := range [][2]string{{"c-07", password}, {"c-07.2", otherPassword}} {
		m, code := connect(who[0], who[1])
		if code != 0 {
			t.Fatalf("%s is refused with %d", who[0], code)
		}
		before := last()
		m.packet(0x32, mqttText("telemetry/c-07")+"\x00\x07"+"unit,time\n")
		if got := m.answer(4); got != "\x40\x02\x00\x07" {
			t.Errorf("%s: answer %x", who[0], got)
		}
		if n := last(); n != before+1 {
			t.Errorf("%s: sequence %d, before %d", who[0], n, before)
		}
		// One connection each: the server may close it for a violation.
		for _, topic := range []string{"telemetry/c-08", "telemetry/0/c-08", "telemetry/0/c-07", "telemetry/c-07/x", "$JS/API/STREAM/PURGE/TELEMETRY",
			"$SYS/REQ/SERVER/PING", "$MQTT/sub/x", "receipts/c-08", "_INBOX_c-08/x"} {
			m, _ := connect(who[0], who[1])
			before := last()
			m.packet(0x32, mqttText(topic)+"\x00\x08"+"harm")
			m.packet(0x32, mqttText(topic)+"\x00\x09"+"harm")
			// Whether it answers or cuts off or neither does not matter.
			if err := m.conn.SetDeadline(time.Now().Add(300 * time.Millisecond)); err != nil {
				t.Fatal(err)
			}
			m.answer(8)
			if n := last(); n != before {
				t.Errorf("%s publishes to %s", who[0], topic)
			}
		}
		for _, topic := range []string{"#", "telemetry/#", "telemetry/c-08", "$SYS/#", "+/c-08"} {
			m, _ := connect(who[0], who[1])
			m.packet(0x82, "\x00\x0a"+mqttText(topic)+"\x00")
			if got := m.answer(5); got != "\x90\x03\x00\x0a\x80" && got != "" {
				t.Errorf("%s subscribes to %s: %x", who[0], topic, got)
			}
		}
	}
	// A dropped login is cut off.
	m, _ := connect("c-07.2", otherPassword)
	if err := b.embedded.SetLogins([]broker.Login{logins[0], logins[2]}); err != nil {
		t.Fatal(err)
	}
	if got := m.answer(1); got != "" {
		t.Errorf("the dropped login hears %x", got)
	}
	if _, code := connect("c-07.2", otherPassword); code == 0 {
		t.Error("the dropped login is let in")
	}
}

// authority makes certificates for tests.
type authority struct {
	key  *ecdsa.PrivateKey
	cert *x509.Certificate
	file string
	dir  string
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{dir: t.TempDir()}
	a.key, a.cert = a.make(t, &x509.Certificate{Subject: pkix.Name{CommonName: "test authority"}, IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}, nil, "authority")
	a.file = filepath.Join(a.dir, "authority.pem")
	return a
}

// make writes NAME.pem and NAME.key.
func (a *authority) make(t *testing.T, template *x509.Certificate, parent *authority, name string) (*ecdsa.PrivateKey, *x509.Certificate) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template.SerialNumber = big.NewInt(time.Now().UnixNano())
	template.NotBefore, template.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	by, signer := template, key
	if parent != nil {
		by, signer = parent.cert, parent.key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, by, &key.PublicKey, signer)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{".pem": {Type: "CERTIFICATE", Bytes: der}, ".key": {Type: "EC PRIVATE KEY", Bytes: raw}} {
		if err := os.WriteFile(filepath.Join(a.dir, name+file), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return key, cert
}

func (a *authority) path(name string) string { return filepath.Join(a.dir, name) }

func TestTLS(t *testing.T) {
	a := newAuthority(t)
	use := []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}
	a.make(t, &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: use}, a, "server")
	a.make(t, &x509.Certificate{Subject: pkix.Name{CommonName: "c-07"}, ExtKeyUsage: use}, a, "client")
	var given atomic.Pointer[tls.Certificate]
	load := func() {
		pair, err := tls.LoadX509KeyPair(a.path("server.pem"), a.path("server.key"))
		if err != nil {
			t.Fatal(err)
		}
		given.Store(&pair)
	}
	load()
	config := &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return given.Load(), nil }}
	b := start(t, broker.EmbeddedConfig{Listen: "127.0.0.1:0", MQTT: "127.0.0.1:0", TLS: config, Logins: []broker.Login{login(t, "c-07", password)}}, broker.Config{Partitions: 1})
	publish(t, b.publisher(t, 0), "c-09", csv("", "from this process"))
	address := strings.TrimPrefix(strings.TrimPrefix(b.embedded.ClientURL(), "tls://"), "nats://")
	connect := func(s broker.Security, scheme string) (*nats.Conn, error) {
		t.Helper()
		opts, err := s.Options()
		if err != nil {
			return nil, err
		}
		opts = append(opts, nats.RetryOnFailedConnect(false), nats.MaxReconnects(0))
		return broker.Connect(t.Context(), scheme+"c-07:"+password+"@"+address, "c-07", quiet(t), opts...)
	}
	serial := func(nc *nats.Conn) string {
		state, err := nc.TLSConnectionState()
		if err != nil {
			t.Fatal(err)
		}
		if state.Version != tls.VersionTLS13 {
			t.Errorf("version %x", state.Version)
		}
		return state.PeerCertificates[0].SerialNumber.String()
	}
	trusted := broker.Security{Authorities: a.file}
	nc, err := connect(trusted, "nats://")
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	p, err := broker.NewPublisher(nc, broker.PublisherConfig{Logger: quiet(t)})
	if err != nil {
		t.Fatal(err)
	}
	publish(t, p, "c-07", csv("", "encrypted"))
	before := serial(nc)
	if nc, err := connect(broker.Security{}, "tls://"); err == nil {
		nc.Close()
		t.Error("a certificate of an unknown authority is taken")
	}
	other := newAuthority(t)
	if nc, err := connect(broker.Security{Authorities: other.file}, "nats://"); err == nil {
		nc.Close()
		t.Error("a certificate of another authority is taken")
	}
	if withBoth, err := connect(broker.Security{Authorities: a.file, Certificate: a.path("client.pem"), Key: a.path("client.key")}, "nats://"); err != nil {
		t.Errorf("with a certificate of its own: %v", err)
	} else {
		withBoth.Close()
	}
	for name, bad := range map[string]broker.Security{
		"no such file": {Authorities: a.path("none")}, "no certificate in it": {Authorities: a.path("server.key")}, "key alone": {Key: a.path("client.key")},
		"not a pair": {Certificate: a.path("client.pem"), Key: a.path("server.key")}, "no credentials": {Credentials: a.path("none")},
	} {
		if _, err := bad.Options(); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	// MQTT speaks it, too, and nothing else.
	b.checkMQTTS(t, a)
	// Another certificate for the same addresses, without a pause; a change of
	// the logins keeps both.
	a.make(t, &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: use}, a, "server")
	load()
	if err := b.embedded.SetLogins([]broker.Login{login(t, "c-07", password), login(t, "c-08", otherPassword)}); err != nil {
		t.Fatal(err)
	}
	publish(t, p, "c-07", csv("", "still connected"))
	again, err := connect(trusted, "nats://")
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if serial(again) == before {
		t.Error("the old certificate is shown")
	}
}

func (b *bench) checkMQTTS(t *testing.T, a *authority) {
	t.Helper()
	pool := x509.NewCertPool()
	pool.AddCert(a.cert)
	conn, err := tls.Dial("tcp", b.embedded.MQTTAddress(), &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12})
	if err != nil {
		t.Fatal(err)
	}
	m, code := mqttConnect(t, conn, "c-07", password)
	if code != 0 {
		t.Fatalf("MQTT over TLS is refused with %d", code)
	}
	m.packet(0x32, mqttText("telemetry/c-07")+"\x00\x07"+"unit,time\n")
	if got := m.answer(4); got != "\x40\x02\x00\x07" {
		t.Errorf("MQTT over TLS: answer %x", got)
	}
	plain, err := net.Dial("tcp", b.embedded.MQTTAddress())
	if err != nil {
		t.Fatal(err)
	}
	if _, code := mqttConnect(t, plain, "c-07", password); code == 0 {
		t.Error("MQTT without TLS is let in")
	}
}
