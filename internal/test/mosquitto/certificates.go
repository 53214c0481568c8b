package mosquitto

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"time"
)

// writeCertificates makes an authority, a server certificate for 127.0.0.1 and localhost, and a client certificate, all
// of them valid for a day.
func (b *Broker) writeCertificates() {
	b.t.Helper()
	authority, authorityKey := b.certificate("ca", &x509.Certificate{
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}, nil, nil)
	b.certificate("server", &x509.Certificate{
		DNSNames:    []string{"localhost"},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}, authority, authorityKey)
	b.certificate("client", &x509.Certificate{
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}, authority, authorityKey)
	b.CAFile, b.CertFile, b.KeyFile = b.path("ca.pem"), b.path("client.pem"), b.path("client.key")
}

// certificate writes name.pem and name.key, signed by parent or by itself.
func (b *Broker) certificate(name string, template, parent *x509.Certificate, parentKey *ecdsa.PrivateKey) (*x509.Certificate, *ecdsa.PrivateKey) {
	b.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		b.t.Fatal(err)
	}
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		b.t.Fatal(err)
	}
	template.SerialNumber = serial
	template.Subject = pkix.Name{CommonName: "invented " + name}
	template.NotBefore = time.Now().Add(-time.Hour)
	template.NotAfter = time.Now().Add(24 * time.Hour)
	if parent == nil {
		parent, parentKey = template, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, parentKey)
	if err != nil {
		b.t.Fatal(err)
	}
	keyDER, err := x509.MarshalECPrivateKey(key)
	if err != nil {
		b.t.Fatal(err)
	}
	b.write(name+".pem", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
	b.write(name+".key", string(pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: keyDER})))
	made, err := x509.ParseCertificate(der)
	if err != nil {
		b.t.Fatal(err)
	}
	return made, key
}
