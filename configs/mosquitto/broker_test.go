// Package mosquitto_test starts the broker of the distribution with the configuration of this folder, with users and
// certificates made by the very commands of README.md, and checks what each role may do. It needs the programs mosquitto,
// mosquitto_passwd and openssl.
package mosquitto_test

import (
	"bufio"
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const (
	site     = "north-loft"
	patience = 20 * time.Second // for a wedged broker only; nothing is measured
)

// broker is a running mosquitto.
type broker struct {
	dir               string
	encrypted, inside string // addresses of the two listeners
}

var start = sync.OnceValues(func() (*broker, error) {
	dir, err := os.MkdirTemp("", "dewline-mosquitto-")
	if err != nil {
		return nil, err
	}
	folder = dir
	if err := prepare(dir); err != nil {
		return nil, err
	}
	for range 5 { // a port that was free can be taken before mosquitto binds it
		var b *broker
		if b, err = launch(dir); err == nil {
			return b, nil
		}
	}
	return nil, err
})

// What start leaves behind for TestMain to clean up.
var (
	folder  string
	process *exec.Cmd
	silent  = make(chan struct{}) // closed when the broker has said its last word
)

func TestMain(m *testing.M) {
	code := m.Run()
	if process != nil {
		_ = process.Process.Signal(syscall.SIGTERM)
		<-silent
		_ = process.Wait()
	}
	if folder != "" {
		_ = os.RemoveAll(folder)
	}
	os.Exit(code)
}

func running(t *testing.T) *broker {
	b, err := start()
	require.NoError(t, err, "mosquitto does not start (Debian: apt install mosquitto openssl)")
	return b
}

// prepare fills dir with the commands of the README, with the address of the board replaced by the loopback one, and adds a user
// that may read and write everything.
func prepare(dir string) error {
	readme, err := os.ReadFile("README.md")
	if err != nil {
		return err
	}
	for _, heading := range []string{"## Certificates", "## Users"} {
		script, err := commands(string(readme), heading)
		if err != nil {
			return err
		}
		script = strings.ReplaceAll(script, "192.168.1.20", "127.0.0.1")
		shell := exec.Command("sh", "-eu", "-c", script)
		shell.Dir = dir
		if out, err := shell.CombinedOutput(); err != nil {
			return fmt.Errorf("the commands under %q: %w: %s", heading, err, out)
		}
	}
	out, err := exec.Command("mosquitto_passwd", "-b", filepath.Join(dir, "passwords"), "auditor", "auditor").CombinedOutput()
	if err != nil {
		return fmt.Errorf("mosquitto_passwd: %w: %s", err, out)
	}
	if err := os.WriteFile(filepath.Join(dir, "auditor.password"), []byte("auditor\n"), 0o600); err != nil {
		return err
	}
	acl, err := os.ReadFile("dewline.acl")
	if err != nil {
		return err
	}
	acl = bytes.ReplaceAll(acl, []byte("@SITE@"), []byte(site))
	acl = append(acl, "\nuser auditor\ntopic readwrite #\n"...)
	return os.WriteFile(filepath.Join(dir, "dewline.acl"), acl, 0o600)
}

// commands returns the first fenced block under a heading of the page.
func commands(page, heading string) (string, error) {
	_, rest, found := strings.Cut(page, "\n"+heading+"\n")
	_, rest, opened := strings.Cut(rest, "```sh\n")
	block, _, closed := strings.Cut(rest, "```\n")
	if !found || !opened || !closed {
		return "", fmt.Errorf("README.md has no commands under %q", heading)
	}
	return block, nil
}

// launch starts mosquitto the way Debian does: a main file that includes the folder with ours.
func launch(dir string) (*broker, error) {
	encrypted, err := freePort()
	if err != nil {
		return nil, err
	}
	inside, err := freePort()
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile("dewline.conf")
	if err != nil {
		return nil, err
	}
	config := string(text)
	for old, replacement := range map[string]string{
		"@DIR@":                       dir,
		"\nlistener 8883\n":           fmt.Sprintf("\nlistener %d 127.0.0.1\n", encrypted),
		"\nlistener 1883 127.0.0.1\n": fmt.Sprintf("\nlistener %d 127.0.0.1\n", inside),
	} {
		if !strings.Contains(config, old) {
			return nil, fmt.Errorf("dewline.conf has no %q", old)
		}
		config = strings.ReplaceAll(config, old, replacement)
	}
	included := filepath.Join(dir, "conf.d")
	if err := os.MkdirAll(included, 0o700); err != nil {
		return nil, err
	}
	if err := os.WriteFile(filepath.Join(included, "dewline.conf"), []byte(config), 0o600); err != nil {
		return nil, err
	}
	// As root mosquitto would become the user mosquitto, who cannot look into a temporary folder.
	main := fmt.Sprintf("user root\npersistence true\npersistence_location %s/\nlog_dest stderr\ninclude_dir %s\n", dir, included)
	file := filepath.Join(dir, "mosquitto.conf")
	if err := os.WriteFile(file, []byte(main), 0o600); err != nil {
		return nil, err
	}

	program, err := exec.LookPath("mosquitto")
	if err != nil {
		program = "/usr/sbin/mosquitto" // not on the path of an ordinary user
	}
	cmd := exec.Command(program, "-c", file)
	output, err := cmd.StderrPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	var said []string
	lines := bufio.NewScanner(output)
	for lines.Scan() {
		said = append(said, lines.Text())
		if strings.HasSuffix(lines.Text(), " running") {
			process = cmd
			go func() {
				defer close(silent)
				for lines.Scan() { // keep the pipe empty, or the broker would stop when it is full
				}
			}()
			return &broker{
				dir:       dir,
				encrypted: fmt.Sprintf("127.0.0.1:%d", encrypted),
				inside:    fmt.Sprintf("127.0.0.1:%d", inside),
			}, nil
		}
	}
	return nil, fmt.Errorf("mosquitto ended: %w: %s", cmd.Wait(), strings.Join(said, " / "))
}

func freePort() (int, error) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer listener.Close()
	return listener.Addr().(*net.TCPAddr).Port, nil
}

func (b *broker) password(t *testing.T, user string) string {
	text, err := os.ReadFile(filepath.Join(b.dir, user+".password"))
	require.NoError(t, err)
	return strings.TrimSpace(string(text))
}

// trust returns the TLS settings of a client that was given ca.crt.
func (b *broker) trust(t *testing.T) *tls.Config {
	text, err := os.ReadFile(filepath.Join(b.dir, "ca.crt"))
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(text))
	return &tls.Config{RootCAs: pool}
}

// connect tries to come in with paho, by TLS where settings are given, and returns the client and the broker's answer.
func connect(t *testing.T, address, user, password string, settings *tls.Config) (mqtt.Client, error) {
	scheme := "mqtt"
	if settings != nil {
		scheme = "mqtts"
	}
	options := mqtt.NewClientOptions().
		AddBroker(scheme + "://" + address).
		SetClientID(strings.ReplaceAll(t.Name(), "/", "-")).
		SetUsername(user).SetPassword(password).
		SetTLSConfig(settings).
		SetProtocolVersion(4).
		SetAutoReconnect(false).
		SetConnectTimeout(patience)
	client := mqtt.NewClient(options)
	token := client.Connect()
	require.True(t, token.WaitTimeout(patience))
	if token.Error() == nil {
		t.Cleanup(func() { client.Disconnect(0) })
	}
	return client, token.Error()
}

func TestWhoComesIn(t *testing.T) {
	b := running(t)
	for _, address := range []string{b.encrypted, b.inside} {
		var settings *tls.Config
		name := "inside"
		if address == b.encrypted {
			settings, name = b.trust(t), "encrypted"
		}
		t.Run(name, func(t *testing.T) {
			for _, user := range []string{"dewline", "keeper", "hub-1"} {
				t.Run(user, func(t *testing.T) {
					_, err := connect(t, address, user, b.password(t, user), settings)
					require.NoError(t, err)
				})
			}
			refused := []struct{ name, user, password string }{
				{"nobody", "", ""},
				{"unknown user", "stranger", b.password(t, "keeper")},
				{"password of somebody else", "dewline", b.password(t, "keeper")},
				{"no password", "keeper", ""},
			}
			for _, c := range refused {
				t.Run(c.name, func(t *testing.T) {
					_, err := connect(t, address, c.user, c.password, settings)
					require.ErrorIs(t, err, packets.ErrorRefusedNotAuthorised)
				})
			}
		})
	}
}

func TestEncryption(t *testing.T) {
	b := running(t)
	t.Run("a client without the authority turns away", func(t *testing.T) {
		_, err := connect(t, b.encrypted, "keeper", b.password(t, "keeper"), &tls.Config{RootCAs: x509.NewCertPool()})
		require.ErrorContains(t, err, "unknown authority")
	})
	t.Run("the certificate bears the board's name", func(t *testing.T) {
		settings := b.trust(t)
		settings.ServerName = "loft.home.arpa"
		_, err := connect(t, b.encrypted, "keeper", b.password(t, "keeper"), settings)
		require.NoError(t, err)
	})
	t.Run("another name is not believed", func(t *testing.T) {
		settings := b.trust(t)
		settings.ServerName = "elsewhere.home.arpa"
		_, err := connect(t, b.encrypted, "keeper", b.password(t, "keeper"), settings)
		require.ErrorContains(t, err, "loft.home.arpa")
	})
	t.Run("old TLS is refused", func(t *testing.T) {
		settings := b.trust(t)
		settings.MinVersion, settings.MaxVersion = tls.VersionTLS10, tls.VersionTLS11
		_, err := connect(t, b.encrypted, "keeper", b.password(t, "keeper"), settings)
		require.ErrorContains(t, err, "protocol version")
	})
	t.Run("no plain text on the encrypted door", func(t *testing.T) {
		_, err := connect(t, b.encrypted, "keeper", b.password(t, "keeper"), nil)
		require.Error(t, err)
	})
}

func TestWhoMayWrite(t *testing.T) {
	b := running(t)
	cases := []struct {
		user, topic string
		allowed     bool
	}{
		{"dewline", "dewline/north-loft/status", true},
		{"dewline", "dewline/north-loft/readings/tub-1/water-temperature", true},
		{"dewline", "dewline/north-loft/alarms/tub-1/water-temperature/high", true},
		{"dewline", "dewline/north-loft/events", true},
		{"dewline", "dewline/south-loft/status", false},
		{"dewline", "dewline", false},
		{"dewline", "sensors/hub-1/tub-5", false},
		{"keeper", "dewline/north-loft/command/acknowledge", true},
		{"keeper", "dewline/north-loft/status", false},
		{"keeper", "dewline/north-loft/alarms/tub-1/water-temperature/high", false},
		{"keeper", "dewline/north-loft/commands", false},
		{"keeper", "dewline/south-loft/command/acknowledge", false},
		{"keeper", "sensors/hub-1/tub-5", false},
		{"hub-1", "sensors/hub-1/tub-5", true},
		{"hub-1", "sensors/hub-1/tub-5/temperature", true},
		{"hub-1", "sensors/hub-2/tub-5", false},
		{"hub-1", "sensors/hub-11/tub-5", false},
		{"hub-1", "sensors", false},
		{"hub-1", "dewline/north-loft/readings/tub-1/water-temperature", false},
		{"hub-1", "dewline/north-loft/command/acknowledge", false},
		{"hub-1", "elsewhere", false},
	}
	for _, c := range cases {
		t.Run(c.user+" "+c.topic, func(t *testing.T) {
			auditor := b.listen(t, "auditor", "#")
			client, err := connect(t, b.inside, c.user, b.password(t, c.user), nil)
			require.NoError(t, err)
			token := client.Publish(c.topic, 1, false, "1")
			require.True(t, token.WaitTimeout(patience))
			require.NoError(t, token.Error())
			if c.allowed {
				assert.Contains(t, auditor.heard(t), c.topic)
			} else {
				assert.NotContains(t, auditor.heard(t), c.topic)
			}
		})
	}
}

func TestWhoMayRead(t *testing.T) {
	b := running(t)
	cases := []struct {
		user, topic string
		allowed     bool
	}{
		{"dewline", "dewline/north-loft/command/acknowledge", true},
		{"dewline", "sensors/hub-1/tub-5", true},
		{"dewline", "dewline/south-loft/command/acknowledge", false},
		{"dewline", "elsewhere", false},
		{"keeper", "dewline/north-loft/status", true},
		{"keeper", "dewline/north-loft/alarms/tub-1/water-temperature/high", true},
		{"keeper", "dewline/north-loft/events", true},
		{"keeper", "dewline/south-loft/status", false},
		{"keeper", "sensors/hub-1/tub-5", false},
		{"keeper", "elsewhere", false},
		{"hub-1", "sensors/hub-1/tub-5", false},
		{"hub-1", "dewline/north-loft/status", false},
		{"hub-1", "dewline/north-loft/command/acknowledge", false},
		{"hub-1", "elsewhere", false},
	}
	for _, c := range cases {
		for _, filter := range []string{"#", c.topic} {
			t.Run(c.user+" "+c.topic+" by "+filter, func(t *testing.T) {
				listener := b.listen(t, c.user, filter)
				auditor, err := connect(t, b.inside, "auditor", "auditor", nil)
				require.NoError(t, err)
				token := auditor.Publish(c.topic, 1, false, "1")
				require.True(t, token.WaitTimeout(patience))
				require.NoError(t, token.Error())
				if c.allowed {
					assert.Equal(t, []string{c.topic}, listener.heard(t))
				} else {
					assert.Empty(t, listener.heard(t))
				}
			})
		}
	}
}

// subscriber is a client that reads packet by packet. A broker answers a ping after everything it sent before, so that
// hearing nothing can be shown without waiting for it.
type subscriber struct{ conn net.Conn }

func (b *broker) listen(t *testing.T, user, filter string) *subscriber {
	conn, err := net.DialTimeout("tcp", b.inside, patience)
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	require.NoError(t, conn.SetDeadline(time.Now().Add(patience)))

	hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	hello.ProtocolName, hello.ProtocolVersion, hello.CleanSession, hello.Keepalive = "MQTT", 4, true, 60
	hello.ClientIdentifier = "listener"
	hello.UsernameFlag, hello.Username = true, user
	hello.PasswordFlag, hello.Password = true, []byte(b.password(t, user))
	require.NoError(t, hello.Write(conn))
	answer, err := packets.ReadPacket(conn)
	require.NoError(t, err)
	require.IsType(t, &packets.ConnackPacket{}, answer)
	require.EqualValues(t, packets.Accepted, answer.(*packets.ConnackPacket).ReturnCode)

	subscribe := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	subscribe.MessageID, subscribe.Topics, subscribe.Qoss = 1, []string{filter}, []byte{0}
	require.NoError(t, subscribe.Write(conn))
	answer, err = packets.ReadPacket(conn)
	require.NoError(t, err)
	require.IsType(t, &packets.SubackPacket{}, answer)
	return &subscriber{conn}
}

// heard returns the topics of all messages that the broker has sent up to now.
func (s *subscriber) heard(t *testing.T) []string {
	require.NoError(t, packets.NewControlPacket(packets.Pingreq).Write(s.conn))
	var topics []string
	for {
		packet, err := packets.ReadPacket(s.conn)
		require.NoError(t, err)
		switch packet := packet.(type) {
		case *packets.PublishPacket:
			topics = append(topics, packet.TopicName)
		case *packets.PingrespPacket:
			return topics
		default:
			t.Fatalf("unexpected %s", packet)
		}
	}
}
