// Package mosquittotest starts a real mosquitto on a free loopback port for tests, with a configuration file of its own,
// and stops it when the test ends:
//
//	broker := mosquittotest.Start(t, mosquittotest.Options{Users: map[string]string{"dewline": "secret"}})
//	link(broker.URL)
//	broker.Kill()    // like a power cut
//	broker.Restart() // on the same port, with nothing remembered
//
// A missing binary fails the test: a broker that is not there proves nothing. Debian and its relatives have it in the
// package mosquitto.
package mosquitto

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// Options says how the broker is set up. The zero value is a plain broker that lets everybody in.
type Options struct {
	// TLS makes the listener speak TLS with a generated certificate for 127.0.0.1 and localhost.
	TLS bool
	// ClientCertificate makes the listener ask for a client certificate as well; it implies TLS.
	ClientCertificate bool
	// Users are names and passwords; without any, anonymous clients are let in.
	Users map[string]string
	// ACL is the text of an access control file; empty means everybody may do everything.
	ACL string
	// Config holds further lines of the configuration file.
	Config []string
}

// Broker is a running mosquitto.
type Broker struct {
	URL  string // such as mqtt://127.0.0.1:40123
	Host string // 127.0.0.1
	Port int
	Dir  string // configuration, log, certificates
	// CAFile, CertFile and KeyFile are what a client needs with TLS; empty without.
	CAFile, CertFile, KeyFile string

	t       testing.TB
	binary  string
	mu      sync.Mutex
	process *exec.Cmd
	done    chan struct{} // closed when process has ended
}

// Start starts a broker and waits until it takes connections.
func Start(t testing.TB, options Options) *Broker {
	t.Helper()
	b := &Broker{t: t, Host: "127.0.0.1", Dir: t.TempDir(), binary: Find(t, "mosquitto")}
	options.TLS = options.TLS || options.ClientCertificate
	if options.TLS {
		b.writeCertificates()
	}
	// Between choosing a free port and mosquitto taking it another program may be faster; then another port is tried.
	for attempt := range 5 {
		b.Port = freePort(t)
		b.writeConfig(options)
		if err := b.launch(); err == nil {
			break
		} else if attempt == 4 {
			t.Fatalf("mosquitto does not start: %v", err)
		}
	}
	scheme := "mqtt"
	if options.TLS {
		scheme = "mqtts"
	}
	b.URL = scheme + "://" + b.Address()
	t.Cleanup(func() {
		b.Stop()
		if t.Failed() {
			log, _ := os.ReadFile(b.path("mosquitto.log"))
			t.Logf("mosquitto's log:\n%s", log)
		}
	})
	return b
}

// Find returns the path of a program of the mosquitto packages, such as mosquitto_sub, or fails the test.
func Find(t testing.TB, program string) string {
	t.Helper()
	if path, err := exec.LookPath(program); err == nil {
		return path
	}
	// Servers often live outside the path of ordinary users.
	for _, folder := range []string{"/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin"} {
		if path, err := exec.LookPath(filepath.Join(folder, program)); err == nil {
			return path
		}
	}
	t.Fatalf("%s is not installed: this test needs a real broker (Debian: apt-get install mosquitto mosquitto-clients)", program)
	return ""
}

// Address returns host:port.
func (b *Broker) Address() string { return net.JoinHostPort(b.Host, strconv.Itoa(b.Port)) }

// Log returns what the broker has logged so far.
func (b *Broker) Log() string {
	text, err := os.ReadFile(b.path("mosquitto.log"))
	if err != nil {
		return ""
	}
	return string(text)
}

// Stop ends the broker in good order; a stopped broker is left alone.
func (b *Broker) Stop() { b.end(os.Interrupt) }

// Kill ends the broker at once, as a power cut would.
func (b *Broker) Kill() { b.end(os.Kill) }

// Restart ends the broker if it runs and starts it again on the same port. It has forgotten everything, since tests run
// it without persistence unless Config says otherwise.
func (b *Broker) Restart() {
	b.t.Helper()
	b.Stop()
	// The port was ours a moment ago; the kernel may hold on to it shortly.
	var err error
	for range 20 {
		if err = b.launch(); err == nil {
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
	b.t.Fatalf("mosquitto does not start again on %s: %v", b.Address(), err)
}

func (b *Broker) path(name string) string { return filepath.Join(b.Dir, name) }

func (b *Broker) writeConfig(options Options) {
	b.t.Helper()
	lines := []string{
		"listener " + strconv.Itoa(b.Port) + " " + b.Host,
		"log_dest file " + b.path("mosquitto.log"),
		"log_type all",
		// Started by root, mosquitto would change to a user that cannot read the test's folder.
		"user root",
	}
	if options.TLS {
		lines = append(lines, "cafile "+b.path("ca.pem"), "certfile "+b.path("server.pem"), "keyfile "+b.path("server.key"))
	}
	if options.ClientCertificate {
		lines = append(lines, "require_certificate true")
	}
	lines = append(lines, "allow_anonymous "+strconv.FormatBool(len(options.Users) == 0))
	if len(options.Users) > 0 {
		b.writePasswords(options.Users)
		lines = append(lines, "password_file "+b.path("passwords"))
	}
	if options.ACL != "" {
		b.write("acl", options.ACL)
		lines = append(lines, "acl_file "+b.path("acl"))
	}
	lines = append(lines, options.Config...)
	b.write("mosquitto.conf", strings.Join(lines, "\n")+"\n")
}

func (b *Broker) writePasswords(users map[string]string) {
	b.t.Helper()
	b.write("passwords", "")
	program := Find(b.t, "mosquitto_passwd")
	for name, password := range users {
		if out, err := exec.Command(program, "-b", b.path("passwords"), name, password).CombinedOutput(); err != nil {
			b.t.Fatalf("mosquitto_passwd: %v: %s", err, out)
		}
	}
}

func (b *Broker) write(name, text string) {
	b.t.Helper()
	if err := os.WriteFile(b.path(name), []byte(text), 0o600); err != nil {
		b.t.Fatal(err)
	}
}

// launch starts the process and returns once a connection is accepted, or once it has ended.
func (b *Broker) launch() error {
	process := exec.Command(b.binary, "-c", b.path("mosquitto.conf"))
	var words strings.Builder
	process.Stdout, process.Stderr = &words, &words
	if err := process.Start(); err != nil {
		return err
	}
	done := make(chan struct{})
	go func() {
		_ = process.Wait() // how it ended does not matter: launch and Stop look at done only
		close(done)
	}()
	b.mu.Lock()
	b.process, b.done = process, done
	b.mu.Unlock()
	for range 500 {
		select {
		case <-done:
			return fmt.Errorf("it ended at once: %s%s", words.String(), lastLines(b.Log(), 5))
		default:
		}
		if b.answers() {
			return nil
		}
		time.Sleep(20 * time.Millisecond)
	}
	b.Kill()
	return fmt.Errorf("nothing listens on %s: %s", b.Address(), lastLines(b.Log(), 5))
}

// answers reports whether a connection is accepted.
func (b *Broker) answers() bool {
	conn, err := net.DialTimeout("tcp", b.Address(), time.Second)
	if err != nil {
		return false
	}
	defer func() { _ = conn.Close() }()
	// On loopback a connection to a free port can meet itself.
	return conn.LocalAddr().String() != conn.RemoteAddr().String()
}

func (b *Broker) end(signal os.Signal) {
	b.mu.Lock()
	process, done := b.process, b.done
	b.process = nil
	b.mu.Unlock()
	if process == nil {
		return
	}
	_ = process.Process.Signal(signal) // it may have ended by itself
	select {
	case <-done:
	case <-time.After(10 * time.Second):
		_ = process.Process.Kill()
		<-done
	}
}

func lastLines(text string, count int) string {
	lines := slices.Collect(strings.Lines(text))
	return strings.Join(lines[max(0, len(lines)-count):], "")
}

func freePort(t testing.TB) int {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	return listener.Addr().(*net.TCPAddr).Port
}
