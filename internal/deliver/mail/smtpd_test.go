package mail_test

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hmac"
	"crypto/md5"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/textproto"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// smtpd is a small mail server on loopback (RFC 5321, STARTTLS of RFC 3207, AUTH PLAIN and LOGIN of RFC 4954, CRAM-MD5 of RFC 2195).
type smtpd struct {
	t      *testing.T
	addr   string
	roots  *x509.CertPool
	tls    *tls.Config
	direct bool // TLS from the first byte on
	plain  bool // no STARTTLS
	auth   string
	user   string // "" = there is no login
	pass   string
	// answer replaces the reply to a command: "RCPT", "TO:<…>"; "" leaves it, "hang up" ends the connection.
	answer func(verb, rest string) string

	mu       sync.Mutex
	received []received
	commands []string
	sessions int
	conns    map[net.Conn]bool
	wg       sync.WaitGroup
}

// received is a message the server has taken.
type received struct {
	from string
	to   []string
	data string
	tls  bool
	user string
}

func serve(t *testing.T, change ...func(*smtpd)) *smtpd {
	t.Helper()
	s := &smtpd{t: t, auth: "PLAIN LOGIN", conns: map[net.Conn]bool{}}
	s.certify()
	for _, c := range change {
		c(s)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s.addr = listener.Addr().String()
	s.wg.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			s.mu.Lock()
			s.sessions++
			s.conns[conn] = true
			s.mu.Unlock()
			s.wg.Go(func() { s.session(conn) })
		}
	})
	t.Cleanup(func() {
		assert.NoError(t, listener.Close())
		s.mu.Lock()
		for conn := range s.conns {
			_ = conn.Close()
		}
		s.mu.Unlock()
		s.wg.Wait()
	})
	return s
}

// certify makes a certificate for 127.0.0.1 that only this test trusts.
func (s *smtpd) certify() {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(s.t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "an invented mail server"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(s.t, err)
	leaf, err := x509.ParseCertificate(der)
	require.NoError(s.t, err)
	s.roots = x509.NewCertPool()
	s.roots.AddCert(leaf)
	s.tls = &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
}

// script sets what replaces the replies of a server that runs already.
func (s *smtpd) script(answer func(verb, rest string) string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.answer = answer
}

// dialogue is one session.
type dialogue struct {
	s       *smtpd
	conn    net.Conn
	text    *textproto.Conn
	secure  bool
	user    string
	message received
}

func (s *smtpd) session(conn net.Conn) {
	d := &dialogue{s: s, conn: conn, text: textproto.NewConn(conn)}
	defer func() {
		_ = d.conn.Close()
		s.mu.Lock()
		delete(s.conns, conn)
		s.mu.Unlock()
	}()
	if s.direct {
		d.encrypt()
	}
	if !d.say(d.scripted("GREETING", "", "220 mail.example.org ready")) {
		return
	}
	for {
		line, err := d.text.ReadLine()
		if err != nil || !d.obey(line) {
			return
		}
	}
}

func (d *dialogue) encrypt() {
	d.conn = tls.Server(d.conn, d.s.tls)
	d.text, d.secure = textproto.NewConn(d.conn), true
}

func (d *dialogue) scripted(verb, rest, usual string) string {
	d.s.mu.Lock()
	defer d.s.mu.Unlock()
	d.s.commands = append(d.s.commands, strings.TrimSpace(verb+" "+rest))
	if d.s.answer != nil {
		if reply := d.s.answer(verb, rest); reply != "" {
			return reply
		}
	}
	return usual
}

// say sends a reply and reports whether the session goes on.
func (d *dialogue) say(reply string) bool {
	if reply == "hang up" {
		return false
	}
	return d.text.PrintfLine("%s", reply) == nil && !strings.HasPrefix(reply, "421")
}

func (d *dialogue) obey(line string) bool {
	verb, rest, _ := strings.Cut(line, " ")
	verb = strings.ToUpper(verb)
	switch verb {
	case "EHLO":
		extensions := []string{"mail.example.org"}
		if !d.secure && !d.s.plain {
			extensions = append(extensions, "STARTTLS")
		}
		if d.s.user != "" && (d.secure || d.s.plain) {
			extensions = append(extensions, "AUTH "+d.s.auth)
		}
		for _, e := range extensions {
			if !d.say("250-" + e) {
				return false
			}
		}
		return d.say("250 8BITMIME")
	case "STARTTLS":
		if !d.say(d.scripted(verb, rest, "220 go ahead")) {
			return false
		}
		d.encrypt()
		return true
	case "AUTH":
		return d.login(rest)
	case "MAIL":
		if d.s.user != "" && d.user == "" {
			return d.say("530 5.7.0 authentication required")
		}
		d.message = received{from: between(rest), tls: d.secure, user: d.user}
		return d.say(d.scripted(verb, rest, "250 2.1.0 ok"))
	case "RCPT":
		reply := d.scripted(verb, rest, "250 2.1.5 ok")
		if strings.HasPrefix(reply, "250") {
			d.message.to = append(d.message.to, between(rest))
		}
		return d.say(reply)
	case "DATA":
		return d.data()
	case "RSET", "NOOP":
		return d.say(d.scripted(verb, rest, "250 ok"))
	case "QUIT":
		d.say(d.scripted(verb, rest, "221 bye"))
		return false
	}
	return d.say("502 5.5.1 what?")
}

func (d *dialogue) data() bool {
	reply := d.scripted("DATA", "", "354 go ahead")
	if !d.say(reply) || !strings.HasPrefix(reply, "354") {
		return reply != "hang up"
	}
	data, err := io.ReadAll(d.text.DotReader())
	if err != nil {
		return false
	}
	reply = d.scripted("END", "", "250 2.0.0 taken")
	if strings.HasPrefix(reply, "250") {
		d.message.data = string(data)
		d.s.mu.Lock()
		d.s.received = append(d.s.received, d.message)
		d.s.mu.Unlock()
	}
	return d.say(reply)
}

func (d *dialogue) login(rest string) bool {
	mechanism, initial, _ := strings.Cut(rest, " ")
	reply := d.scripted("AUTH", mechanism, "")
	if reply != "" {
		return d.say(reply)
	}
	ask := func(challenge string) string {
		if !d.say("334 " + base64.StdEncoding.EncodeToString([]byte(challenge))) {
			return ""
		}
		line, _ := d.text.ReadLine()
		answer, _ := base64.StdEncoding.DecodeString(line)
		return string(answer)
	}
	var user, pass string
	switch mechanism {
	case "PLAIN": // RFC 4616
		raw, _ := base64.StdEncoding.DecodeString(initial)
		parts := strings.Split(string(raw), "\x00")
		if len(parts) == 3 {
			user, pass = parts[1], parts[2]
		}
	case "LOGIN":
		user, pass = ask("Username:"), ask("Password:")
	case "CRAM-MD5":
		const challenge = "<17.1784292000@mail.example.org>"
		digest := hmac.New(md5.New, []byte(d.s.pass))
		digest.Write([]byte(challenge))
		if ask(challenge) == d.s.user+" "+hex.EncodeToString(digest.Sum(nil)) {
			user, pass = d.s.user, d.s.pass
		}
	}
	if user != d.s.user || pass != d.s.pass {
		return d.say("535 5.7.8 not so, " + pass) // as an unkind server might
	}
	d.user = user
	return d.say("235 2.7.0 welcome")
}

// between returns the text in angle brackets.
func between(text string) string {
	_, text, _ = strings.Cut(text, "<")
	text, _, _ = strings.Cut(text, ">")
	return text
}

func (s *smtpd) messages() []received {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]received(nil), s.received...)
}

func (s *smtpd) count(verb string) (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range s.commands {
		if strings.HasPrefix(c, verb) {
			n++
		}
	}
	return n
}

// wait waits for n messages and returns them.
func (s *smtpd) wait(n int) []received {
	s.t.Helper()
	require.Eventually(s.t, func() bool { return len(s.messages()) >= n }, 20*time.Second, time.Millisecond)
	return s.messages()
}

// header reads the headers of a message.
func (r received) header(t *testing.T) textproto.MIMEHeader {
	t.Helper()
	header, err := textproto.NewReader(bufio.NewReader(strings.NewReader(r.data))).ReadMIMEHeader()
	require.NoError(t, err, fmt.Sprintf("%q", r.data))
	return header
}
