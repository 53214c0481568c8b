// Package manyrooms_test runs the files of this folder: the broker of the house with TLS, the broker of one board bridged to it, and the
// rules of the metrics store. It needs the programs mosquitto, mosquitto_passwd, prometheus and promtool.
package manyrooms_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/mqtt"
	"dewline/internal/sites"
	"dewline/internal/test/harness"
	"dewline/internal/test/mosquitto"
)

func TestTheConfigurationOfABoard(t *testing.T) {
	site, problems := config.Load("site.yaml")
	require.NotNil(t, site, "%v", problems)
	assert.Empty(t, problems)
	assert.True(t, site.Export.RemoteWrite.On())
}

func TestRules(t *testing.T) {
	for _, arguments := range [][]string{{"check", "rules", "rules.yml"}, {"test", "rules", "rules_test.yml"}, {"check", "config", "prometheus.yml"}} {
		out, err := exec.Command("promtool", arguments...).CombinedOutput()
		require.NoError(t, err, "promtool is in the package prometheus: %s", out)
		assert.Contains(t, string(out), "SUCCESS")
	}
}

// house is a folder with certificates and passwords, and the brokers in it.
type house struct {
	t           *testing.T
	folder      string
	outer       string // the address of the broker of the house
	board       string // that of the board of room-17
	stopOuter   func()
	certificate string
}

// start starts both brokers with the files of this folder, the addresses put in.
func start(t *testing.T) *house {
	lent := mosquitto.Start(t, mosquitto.Options{TLS: true}) // for its certificates
	lent.Stop()
	h := &house{t: t, folder: lent.Dir, outer: lent.Address(), board: harness.FreeAddress(t), certificate: lent.CAFile}
	for from, to := range map[string]string{"ca.pem": "ca.crt", "server.pem": "server.crt"} {
		text, err := os.ReadFile(filepath.Join(h.folder, from))
		require.NoError(t, err)
		h.write(to, string(text))
	}
	h.write("passwords", "")
	for _, user := range []string{"dewline", "keeper", "room-17", "room-18"} {
		h.write(user+".password", "of-"+user)
		out, err := exec.Command(mosquitto.Find(t, "mosquitto_passwd"), "-b", filepath.Join(h.folder, "passwords"), user, "of-"+user).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	h.copy("house.acl")
	h.copy("house.conf", "listener 8883", listener(h.outer))
	h.copy("board.conf", "listener 1883 127.0.0.1", listener(h.board), "@SITE@", "room-17", "@HOUSE@", h.outer, "@PASSWORD@", "of-room-17",
		"restart_timeout 5 60", "restart_timeout 1 1")
	h.startOuter()
	h.run("board", h.board)
	return h
}

func listener(address string) string {
	host, port, _ := strings.Cut(address, ":")
	return "listener " + port + " " + host
}

func (h *house) write(name, text string) {
	h.t.Helper()
	require.NoError(h.t, os.WriteFile(filepath.Join(h.folder, name), []byte(text), 0o600))
}

// copy copies a file of this folder, with replacements, each of which must be there.
func (h *house) copy(name string, replacements ...string) {
	h.t.Helper()
	data, err := os.ReadFile(name)
	require.NoError(h.t, err)
	text := strings.ReplaceAll(string(data), "@DIR@", h.folder)
	for i := 0; i < len(replacements); i += 2 {
		require.Contains(h.t, text, replacements[i])
		text = strings.ReplaceAll(text, replacements[i], replacements[i+1])
	}
	h.write(name, text)
}

// run starts a broker and returns how to stop it.
func (h *house) run(name, address string) (stop func()) {
	h.t.Helper()
	state := filepath.Join(h.folder, name)
	require.NoError(h.t, os.MkdirAll(state, 0o700))
	// As root mosquitto would become the user mosquitto, who cannot look into a temporary folder.
	h.write(name+".main", "user root\npersistence_location "+state+"/\nlog_dest file "+state+"/log\nlog_type all\n"+h.text(name+".conf"))
	command := exec.Command(mosquitto.Find(h.t, "mosquitto"), "-c", filepath.Join(h.folder, name+".main"))
	command.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	require.NoError(h.t, command.Start())
	ended := make(chan struct{})
	go func() { _ = command.Wait(); close(ended) }() // how it ends is up to the test
	stop = func() { _ = command.Process.Signal(os.Interrupt); <-ended }
	h.t.Cleanup(stop)
	require.Eventually(h.t, func() bool {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			return false
		}
		return conn.Close() == nil
	}, 30*time.Second, 20*time.Millisecond, "%s does not start", name)
	return stop
}

func (h *house) text(name string) string {
	data, err := os.ReadFile(filepath.Join(h.folder, name))
	require.NoError(h.t, err)
	return string(data)
}

func (h *house) startOuter() { h.stopOuter = h.run("house", h.outer) }

// as returns how a user connects to the broker of the house, or, on the board, to its own.
func (h *house) as(user string) mqtt.Options {
	o := mqtt.Options{Broker: "mqtts://" + h.outer, ClientID: "as-" + user, Username: user, PasswordFile: filepath.Join(h.folder, user+".password"), CAFile: h.certificate}
	if user == "dewline" {
		o.Broker, o.CAFile = "mqtt://"+h.board, ""
	}
	return o
}

// publish publishes as a user and waits until the broker has answered.
func (h *house) publish(user, topic, payload string, retained bool) {
	h.t.Helper()
	client, err := mqtt.New(h.as(user))
	require.NoError(h.t, err)
	ctx, cancel := context.WithCancel(h.t.Context())
	ended := make(chan error, 1)
	go func() { ended <- client.Run(ctx) }()
	session, err := client.Session(h.t.Context())
	require.NoError(h.t, err)
	require.NoError(h.t, session.Publish(h.t.Context(), mqtt.Message{Topic: topic, QoS: 1, Retained: retained, Payload: []byte(payload)}))
	cancel()
	require.NoError(h.t, <-ended)
}

// hear subscribes as a user. The result says what has come.
func (h *house) hear(user, filter string) <-chan mqtt.Received {
	h.t.Helper()
	client, err := mqtt.New(h.as(user))
	require.NoError(h.t, err)
	s, err := client.Subscribe(filter, 1, 100)
	require.NoError(h.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- client.Run(ctx) }()
	h.t.Cleanup(func() { cancel(); assert.NoError(h.t, <-ended) })
	require.Eventually(h.t, func() bool { return client.Status().Connected }, 30*time.Second, 20*time.Millisecond)
	time.Sleep(200 * time.Millisecond) // the subscription follows the connection at once
	return s.C
}

func (h *house) sites() []sites.Site {
	book := sites.NewBook("dewline")
	require.NoError(h.t, sites.Collect(h.t.Context(), h.as("keeper"), book, 30*time.Second))
	return book.Sites(time.Now())
}

func online() string {
	return fmt.Sprintf(`{"state":"online","time":%q,"boot":"run-1"}`, instant.Of(time.Now()))
}

func arrives(t *testing.T, from <-chan mqtt.Received, payload string) {
	t.Helper()
	for deadline := time.After(60 * time.Second); ; {
		select {
		case m := <-from:
			if string(m.Payload) == payload {
				return
			}
		case <-deadline:
			require.Fail(t, "it has not arrived", payload)
		}
	}
}

// What a board publishes reaches the house, commands reach the board, and what happens while the house is away arrives later.
func TestABoardAndTheHouse(t *testing.T) {
	h := start(t)
	h.publish("dewline", "dewline/room-17/status", online(), true)
	h.publish("dewline", "dewline/room-17/points/tub-1/water-temperature", `{"zone":"high"}`, true)
	require.Eventually(t, func() bool {
		list := h.sites()
		return len(list) == 1 && list[0].Site == "room-17" && list[0].State == sites.Online && list[0].WorstZone == "high"
	}, 60*time.Second, time.Second)

	commands := h.hear("dewline", "dewline/room-17/command/+")
	h.publish("keeper", "dewline/room-17/command/acknowledge", "yes", false)
	arrives(t, commands, "yes")

	events := h.hear("keeper", "dewline/+/events")
	h.stopOuter()
	h.publish("dewline", "dewline/room-17/events", "while the house was away", false)
	h.startOuter()
	arrives(t, events, "while the house was away")
}

// A site writes below its own name only, and hears commands for itself alone; a person writes commands only; a stranger does not come in.
func TestNoSiteWritesForAnother(t *testing.T) {
	h := start(t)
	all := h.hear("keeper", "dewline/#")
	other := h.hear("room-18", "dewline/#")
	for _, c := range []struct{ user, topic string }{
		{"room-18", "dewline/room-17/status"}, {"room-18", "dewline/room-17/points/tub-1/water-temperature"}, {"room-18", "dewline/room-17/alarms/tub-1/water-temperature/high"},
		{"room-18", "dewline/room-17/events"}, {"room-18", "dewline/room-17/command/acknowledge"}, {"room-18", "dewline/room-18/command/acknowledge"},
		{"room-18", "dewline/status"}, {"keeper", "dewline/room-17/status"}, {"keeper", "dewline/room-17/events"},
	} {
		h.publish(c.user, c.topic, c.user+" writes "+c.topic, false)
	}
	h.publish("keeper", "dewline/room-17/command/acknowledge", "for room-17", false)
	h.publish("room-18", "dewline/room-18/events", "its own", false)
	for done := false; !done; { // what was refused would have come before
		select {
		case m := <-all:
			done = string(m.Payload) == "its own"
			assert.Contains(t, []string{"its own", "for room-17"}, string(m.Payload), m.Topic)
		case <-time.After(60 * time.Second):
			require.Fail(t, "what a site may write has not arrived")
		}
	}
	h.publish("keeper", "dewline/room-18/command/acknowledge", "for room-18", false)
	m := <-other
	assert.Equal(t, "for room-18", string(m.Payload))
	assert.Empty(t, other)

	stranger := h.as("room-18")
	stranger.PasswordFile = filepath.Join(h.folder, "room-17.password")
	require.ErrorContains(t, sites.Collect(t.Context(), stranger, sites.NewBook("dewline"), 30*time.Second), "broker mqtts://")
}
