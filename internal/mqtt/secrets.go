package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"regexp"
	"time"

	"dewline/internal/secretfile"
)

// credentials returns user and password for one connect.
func (o *Options) credentials() (username, password string, err error) {
	if o.Credentials != nil {
		return o.Credentials()
	}
	if o.PasswordFile == "" {
		return o.Username, "", nil
	}
	if password, err = secretfile.Read(o.PasswordFile); err != nil {
		return "", "", fmt.Errorf("mqtt: password file: %w", err)
	}
	return o.Username, password, nil
}

// tlsConfig reads the certificates for one connect.
func (o *Options) tlsConfig(host string) (*tls.Config, error) {
	config := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12}
	if o.CAFile != "" {
		pem, err := os.ReadFile(o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("mqtt: certificate authority: %w", err)
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("mqtt: certificate authority %s holds no certificate in PEM form", o.CAFile)
		}
	}
	if o.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(o.CertFile, o.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("mqtt: client certificate: %w", err)
		}
		config.Certificates = []tls.Certificate{pair}
	}
	return config, nil
}

// explain adds what a keeper can do about the common reasons for a failed connect.
func explain(err error) error {
	if invalid, ok := errors.AsType[x509.CertificateInvalidError](err); ok && invalid.Reason == x509.Expired && invalid.Cert != nil {
		return outOfDate{invalid}
	}
	if _, ok := errors.AsType[x509.UnknownAuthorityError](err); ok {
		return fmt.Errorf("%w (name the broker's authority as ca_file)", err)
	}
	if _, ok := errors.AsType[x509.HostnameError](err); ok {
		return fmt.Errorf("%w (write a name into the broker's address that its certificate has)", err)
	}
	return err
}

// outOfDate is the error of a certificate before or after its time. The library's text contains the time of the attempt, which
// would make another reason, and another line in the log, of each attempt.
type outOfDate struct{ x509.CertificateInvalidError }

// Error says when the certificate is valid and what to do.
func (o outOfDate) Error() string {
	from, until := o.Cert.NotBefore.UTC(), o.Cert.NotAfter.UTC()
	if time.Now().Before(from) {
		return fmt.Sprintf("the certificate of %q is valid from %s only: is this machine's clock right?", o.Cert.Subject.CommonName, from.Format(time.DateTime+" MST"))
	}
	return fmt.Sprintf("the certificate of %q has expired on %s: put a new one on the broker; if it should still be valid, is this machine's clock right?",
		o.Cert.Subject.CommonName, until.Format(time.DateTime+" MST"))
}

// Unwrap gives the library's error.
func (o outOfDate) Unwrap() error { return o.CertificateInvalidError }

// sourcePort finds the local port in the text of an error. It differs at each attempt and is useless in a log.
var sourcePort = regexp.MustCompile(`\b(read|write) tcp \S+->`)

// plain is an error whose text is the same at each attempt.
func plain(err error) string { return sourcePort.ReplaceAllString(err.Error(), "$1 tcp ") }
