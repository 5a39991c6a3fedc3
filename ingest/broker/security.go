package broker

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"

	"github.com/nats-io/nats.go"
)

// Security says how a connection to an external server is secured. Each file is
// read when it connects and each time it connects again, so that certificates
// can be replaced while it runs. The zero value adds nothing: an address that
// begins with tls:// is then checked by the authorities of the machine.
type Security struct {
	// Authorities is a PEM file with the certificates that the server's is
	// checked by, empty for those of the machine.
	Authorities string
	// Certificate and Key are PEM files that this side shows, both or none.
	Certificate, Key string
	// Credentials is a file with a signed token and its key, as servers with
	// accounts of their own give them out.
	Credentials string
}

// Options gives what Connect needs. A file that cannot be read is an error at
// once, and not only where the server is reached.
func (s Security) Options() ([]nats.Option, error) {
	var opts []nats.Option
	if s.Authorities != "" {
		if _, err := s.authorities(); err != nil {
			return nil, err
		}
		opts = append(opts, nats.Secure(&tls.Config{MinVersion: tls.VersionTLS12}), func(o *nats.Options) error {
			o.RootCAsCB = s.authorities
			return nil
		})
	}
	switch {
	case (s.Certificate == "") != (s.Key == ""):
		return nil, errors.New("a certificate for the broker needs its key, and a key its certificate: name both files")
	case s.Certificate != "":
		if _, err := s.certificate(); err != nil {
			return nil, err
		}
		opts = append(opts, func(o *nats.Options) error {
			o.TLSCertCB = s.certificate
			o.Secure = true
			return nil
		})
	}
	if s.Credentials != "" {
		if _, err := os.ReadFile(s.Credentials); err != nil {
			return nil, fmt.Errorf("credentials for the broker: %w", err)
		}
		opts = append(opts, nats.UserCredentials(s.Credentials))
	}
	return opts, nil
}

func (s Security) authorities() (*x509.CertPool, error) {
	b, err := os.ReadFile(s.Authorities)
	if err != nil {
		return nil, fmt.Errorf("authorities of the broker: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(b) {
		return nil, fmt.Errorf("authorities of the broker: %s holds no certificate in PEM", s.Authorities)
	}
	return pool, nil
}

func (s Security) certificate() (tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(s.Certificate, s.Key)
	if err != nil {
		return pair, fmt.Errorf("certificate for the broker: %w", err)
	}
	return pair, nil
}
