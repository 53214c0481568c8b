package mqtt

import (
	"bytes"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/test/fakebroker"
)

// A broker that accepts and drops connections for three days gets a few lines in the log, and an attempt about once a minute.
func TestAFlappingBrokerDoesNotFillTheLog(t *testing.T) {
	var log bytes.Buffer
	change := func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) }
	inBubble(t, &fakebroker.Broker{}, 0, change, func(t *testing.T, l *started) {
		for began := time.Now(); time.Since(began) < 72*time.Hour; {
			s := l.connected(t)
			time.Sleep(time.Second)
			l.broker.Cut()
			<-s.Done()
		}
		synctest.Wait()
		assert.LessOrEqual(t, strings.Count(log.String(), "\n"), 4, log.String())
		assert.InDelta(t, 72*60, float64(l.dials.Load()), 150, "with the longest waiting times: one a minute and a second")
		s := l.connected(t)
		time.Sleep(2 * steady)
		synctest.Wait()
		assert.False(t, s.ended())
		assert.Equal(t, 1, strings.Count(log.String(), "lasts again"))
		l.broker.Cut() // news again
		<-s.Done()
		l.connected(t)
		synctest.Wait()
		assert.Equal(t, 2, strings.Count(log.String(), "no connection to the broker"), log.String())
	})
}

// The text of an error is the same at each attempt, and says what to do.
func TestReasonsAreTheSameEachTime(t *testing.T) {
	until := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	c := &x509.Certificate{Subject: pkix.Name{CommonName: "broker"}, NotBefore: until.Add(-time.Hour), NotAfter: until}
	expired := explain(fmt.Errorf("tls: %w", x509.CertificateInvalidError{Cert: c, Reason: x509.Expired, Detail: "current time X is after"}))
	assert.Contains(t, expired.Error(), `the certificate of "broker" has expired on 2026-03-01 12:00:00 UTC`)
	assert.NotContains(t, expired.Error(), "current time")
	_, ok := errors.AsType[x509.CertificateInvalidError](expired)
	assert.True(t, ok)
	c.NotBefore = time.Now().Add(time.Hour)
	early := explain(x509.CertificateInvalidError{Cert: c, Reason: x509.Expired})
	assert.Contains(t, early.Error(), "is this machine's clock right?")
	reset := &net.OpError{
		Op: "read", Net: "tcp", Err: errors.New("connection reset by peer"),
		Source: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 40123}, Addr: &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1883},
	}
	assert.Equal(t, "lost: read tcp 127.0.0.1:1883: connection reset by peer", plain(fmt.Errorf("lost: %w", reset)))
}
