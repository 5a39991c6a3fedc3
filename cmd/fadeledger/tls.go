package main

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// serverTLS gives what a listener speaks with the certificate and key of two PEM
// files: TLS 1.3, or 1.2 with those that do not. Once the files change, the next
// connection gets the new pair. A pair that cannot be read at the start is an
// error; later the one before stays and the log tells of it.
func serverTLS(certFile, keyFile string, log *slog.Logger) (*tls.Config, error) {
	p := &pair{certFile: certFile, keyFile: keyFile, log: log}
	if err := p.load(); err != nil {
		return nil, err
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: p.certificate}, nil
}

// pairEvery is how often the files are looked at, at most.
const pairEvery = time.Second

// pair is a certificate with its key, read again when a file has changed.
type pair struct {
	certFile, keyFile string
	log               *slog.Logger

	mu     sync.Mutex
	looked time.Time
	stamp  [2]stamp
	loaded *tls.Certificate
	told   string
}

// stamp tells a file from what it was before: one that is replaced by another
// of the same time still differs by its size, most likely.
type stamp struct {
	modified time.Time
	size     int64
}

func stampOf(file string) (stamp, error) {
	info, err := os.Stat(file)
	if err != nil {
		return stamp{}, err
	}
	return stamp{info.ModTime(), info.Size()}, nil
}

// certificate is asked at each new connection.
func (p *pair) certificate(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if now := time.Now(); now.Sub(p.looked) >= pairEvery {
		p.looked = now
		p.look()
	}
	return p.loaded, nil
}

// look loads the pair where its files have changed. The same trouble is told
// once.
func (p *pair) look() {
	if p.current() {
		return
	}
	err := p.load()
	switch {
	case err == nil:
		p.told = ""
		p.log.Info("certificate replaced", "file", p.certFile)
	case err.Error() != p.told:
		p.told = err.Error()
		p.log.Error("the new certificate cannot be read; the old one goes on", "err", err)
	}
}

func (p *pair) current() bool {
	cert, certErr := stampOf(p.certFile)
	key, keyErr := stampOf(p.keyFile)
	return certErr == nil && keyErr == nil && p.stamp == [2]stamp{cert, key}
}

// load reads both files. It takes their stamps first, so that what changes
// meanwhile is seen the next time.
func (p *pair) load() error {
	cert, err := stampOf(p.certFile)
	if err != nil {
		return fmt.Errorf("read certificate: %w", err)
	}
	key, err := stampOf(p.keyFile)
	if err != nil {
		return fmt.Errorf("read key: %w", err)
	}
	loaded, err := tls.LoadX509KeyPair(p.certFile, p.keyFile)
	if err != nil {
		return fmt.Errorf("read certificate %s with key %s: %w", p.certFile, p.keyFile, err)
	}
	p.loaded, p.stamp = &loaded, [2]stamp{cert, key}
	return nil
}
