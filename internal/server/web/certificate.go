package web

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// certificate is the server's own, read again when its files change, so that a renewed one is in force without a restart.
type certificate struct {
	certFile, keyFile string
	log               *slog.Logger
	now               func() time.Time
	every             time.Duration // how often the files are looked at, at most

	mu     sync.Mutex
	pair   *tls.Certificate
	stamp  [2]fileStamp
	looked time.Time
	warned time.Time
}

type fileStamp struct {
	at   time.Time
	size int64
}

const (
	certificateEvery = 5 * time.Second
	expiryWarning    = 14 * 24 * time.Hour
	expiryRemind     = 24 * time.Hour
)

// loadCertificate reads certificate and key. One that has expired is an error; one that is not valid yet is not, since a board
// without a clock of its own starts in the past.
func loadCertificate(certFile, keyFile string, log *slog.Logger) (*certificate, error) {
	c := &certificate{certFile: certFile, keyFile: keyFile, log: log, now: time.Now, every: certificateEvery}
	c.stamp = c.stamps()
	pair, err := c.read()
	if err != nil {
		return nil, err
	}
	c.pair, c.looked = pair, c.now()
	return c, nil
}

func (c *certificate) read() (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return nil, fmt.Errorf("certificate %s with key %s: %w", c.certFile, c.keyFile, err)
	}
	if end := pair.Leaf.NotAfter; c.now().After(end) {
		return nil, fmt.Errorf("certificate %s has expired on %s: renew it (or is this machine's clock wrong?)", c.certFile, end.UTC().Format("2006-01-02"))
	}
	return &pair, nil
}

func (c *certificate) stamps() (stamps [2]fileStamp) {
	for i, name := range []string{c.certFile, c.keyFile} {
		if info, err := os.Stat(name); err == nil {
			stamps[i] = fileStamp{info.ModTime(), info.Size()}
		}
	}
	return stamps
}

// get is called for every connection. New files that cannot be used are reported once, and the old certificate stays.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.now()
	if passed := now.Sub(c.looked); passed < c.every && passed >= 0 {
		return c.pair, nil
	}
	c.looked = now
	if stamp := c.stamps(); stamp != c.stamp {
		c.stamp = stamp
		if pair, err := c.read(); err != nil {
			c.log.Error("the new certificate is not used, the old one stays", "err", err)
		} else {
			c.pair, c.warned = pair, time.Time{}
			c.log.Info("the certificate has been read again", "valid_until", pair.Leaf.NotAfter.UTC())
		}
	}
	if end := c.pair.Leaf.NotAfter; end.Sub(now) < expiryWarning && now.Sub(c.warned) >= expiryRemind {
		c.warned = now
		c.log.Warn("the certificate of the pages ends soon: renew it", "file", c.certFile, "valid_until", end.UTC())
	}
	return c.pair, nil
}
