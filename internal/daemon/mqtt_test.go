package daemon_test

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/test/mosquitto"
)

// listener is a separate client, mosquitto_sub, that collects what it receives.
type listener struct {
	mu    sync.Mutex
	lines []string
}

// listen subscribes to a filter; each line is "topic payload".
func listen(t *testing.T, b *mosquitto.Broker, credentials []string, filter string) *listener {
	args := append([]string{"-h", b.Host, "-p", port(b), "-v", "-q", "1", "-t", filter}, credentials...)
	if b.CAFile != "" {
		args = append(args, "--cafile", b.CAFile)
	}
	command := exec.CommandContext(t.Context(), mosquitto.Find(t, "mosquitto_sub"), args...)
	l := &listener{}
	command.Stdout = l
	var complaints bytes.Buffer
	command.Stderr = &complaints
	require.NoError(t, command.Start())
	t.Cleanup(func() {
		_ = command.Process.Kill()
		_ = command.Wait()
		if complaints.Len() > 0 {
			t.Log("mosquitto_sub:", complaints.String())
		}
	})
	return l
}

func port(b *mosquitto.Broker) string {
	_, p, _ := strings.Cut(b.Address(), ":")
	return p
}

func (l *listener) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lines = append(l.lines, strings.Split(strings.TrimRight(string(p), "\n"), "\n")...)
	return len(p), nil
}

// heard returns the payloads that came on a topic and contain all the words.
func (l *listener) heard(topic string, words ...string) []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	var found []string
next:
	for _, line := range l.lines {
		on, payload, _ := strings.Cut(line, " ")
		if on != topic {
			continue
		}
		for _, word := range words {
			if !strings.Contains(payload, word) {
				continue next
			}
		}
		found = append(found, payload)
	}
	return found
}

// say publishes a message as a microcontroller would.
func say(t *testing.T, b *mosquitto.Broker, credentials []string, topic, payload string) {
	args := append([]string{"-h", b.Host, "-p", port(b), "-q", "1", "-t", topic, "-m", payload}, credentials...)
	if b.CAFile != "" {
		args = append(args, "--cafile", b.CAFile)
	}
	out, err := exec.CommandContext(t.Context(), mosquitto.Find(t, "mosquitto_pub"), args...).CombinedOutput()
	require.NoError(t, err, string(out))
}

const fedSite = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - id: tub-1
    kind: enclosure
    in: loft
    bands: {water-temperature: {low: 20 °C, high: 24 °C, on-delay: 20s, off-delay: 20s}}
sensors:
  - {id: feather, driver: mqtt, topic: sensors/feather/state, pointer: {temperature: /water/celsius}, unit: °C, every: 10s, feeds: {temperature: tub-1/water-temperature}}
web: {listen: "127.0.0.1:0"}
control: {socket: SOCKET}
mqtt: {broker: "BROKER", commands: true, username: dewline, password-file: password, ca-file: "CA"}
`

// A microcontroller-like client feeds a point over a real broker with TLS and passwords; the alarm comes out on the same
// broker, is acknowledged from there, and the end of the daemon is announced.
func TestFedAndHeardOverARealBroker(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{TLS: true, Users: map[string]string{"dewline": "one secret", "keeper": "another"}})
	keeper := []string{"-u", "keeper", "-P", "another"}
	ears := listen(t, b, keeper, "dewline/north-loft/#")
	text := strings.NewReplacer("BROKER", b.URL, "CA", b.CAFile).Replace(fedSite)
	r := beginWith(t, 1, "", text, map[string]string{"password": "one secret\n"})
	r.wait("it is online", func() bool { return len(ears.heard("dewline/north-loft/status", `"online"`)) > 0 })

	say(t, b, keeper, "sensors/feather/state", `{"water": {"celsius": 25.5}}`)
	r.wait("the reading arrives", func() bool {
		return r.metric(`dewline_reading_celsius{place="tub-1",quantity="water-temperature"}`) == "25.5"
	})
	r.wait("and is published as SenML", func() bool {
		// A reading that arrives before the whole snapshot is published is dropped: the next one is published.
		say(t, b, keeper, "sensors/feather/state", `{"water": {"celsius": 25.5}}`)
		return len(ears.heard("dewline/north-loft/readings/tub-1/water-temperature", `"u":"Cel"`, `"v":25.5`)) > 0
	})
	feed := time.NewTicker(3 * time.Second)
	defer feed.Stop()
	r.wait("the alarm is raised", func() bool {
		select {
		case <-feed.C:
			say(t, b, keeper, "sensors/feather/state", `{"water": {"celsius": 25.4}}`)
		default:
		}
		return len(ears.heard("dewline/north-loft/events", `"dewline.alarm.raised.v1"`, `tub-1/water-temperature/high`)) > 0
	})
	require.Equal(t, "B", r.letter(tubHigh))
	r.wait("its state is retained", func() bool {
		return len(ears.heard("dewline/north-loft/alarms/tub-1/water-temperature/high", `"B"`)) > 0
	})
	r.wait("and so is the point", func() bool {
		return len(ears.heard("dewline/north-loft/points/tub-1/water-temperature", `"zone":"high"`)) > 0
	})

	var event struct {
		ID   string `json:"id"`
		Data struct {
			Occurrence string `json:"occurrence"`
		} `json:"data"`
	}
	raised := ears.heard("dewline/north-loft/events", `"dewline.alarm.raised.v1"`)
	require.NoError(t, json.Unmarshal([]byte(raised[0]), &event))
	require.NotEmpty(t, event.ID)
	say(t, b, keeper, "dewline/north-loft/command/acknowledge", `{"by": "keeper"}`)
	r.wait("an acknowledgement of nothing is refused", func() bool {
		return len(ears.heard("dewline/north-loft/events", `command.refused`, `occurrence`)) > 0
	})
	say(t, b, keeper, "dewline/north-loft/command/acknowledge", `{"occurrence": "`+event.Data.Occurrence+`", "by": "keeper"}`)
	r.wait("with it, it is carried out", func() bool { return r.letter(tubHigh) == "C" })

	say(t, b, keeper, "sensors/feather/state", `{"water": {"celsius": "hot"}}`)
	r.wait("nonsense is an error of the sensor, not a value", func() bool {
		return r.metric(`dewline_sensor_reads_total{result="implausible",sensor="feather"}`) == "1" ||
			r.metric(`dewline_sensor_reads_total{result="checksum",sensor="feather"}`) == "1"
	})
	r.stop()
	r.wait("it says goodbye", func() bool { return len(ears.heard("dewline/north-loft/status", `"offline"`)) > 0 })
}

// beginWith is begin with further files beside the configuration.
func beginWith(t *testing.T, speed float64, sys, text string, files map[string]string) *running {
	folder := t.TempDir()
	for name, content := range files {
		require.NoError(t, os.WriteFile(filepath.Join(folder, name), []byte(content), 0o600))
	}
	text = strings.ReplaceAll(text, "password-file: password", "password-file: "+filepath.Join(folder, "password"))
	return begin(t, speed, sys, text)
}

// What waits while the broker is away arrives when it is back, in order and with the same ids, and what was retained is
// retained again.
func TestBrokerThatGoesAway(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	tree := newProbeTree(t)
	tree.Show(22)
	site := plainSite + "mqtt: {broker: \"" + b.URL + "\"}\n"
	first := listen(t, b, nil, "dewline/north-loft/#")
	r := begin(t, 30, tree.root, site)
	r.wait("it is online", func() bool { return len(first.heard("dewline/north-loft/status", `"online"`)) > 0 })
	b.Kill()
	tree.Show(25)
	r.wait("alarming goes on", func() bool { return r.letter(tubHigh) == "B" })
	tree.Show(22)
	r.wait("and on", func() bool { return r.letter(tubHigh) == "D" })
	b.Restart()
	second := listen(t, b, nil, "dewline/north-loft/#")
	r.wait("both transitions arrive", func() bool {
		return len(second.heard("dewline/north-loft/alarms/tub-1/water-temperature/high", `"D"`)) > 0 &&
			len(first.heard("dewline/north-loft/events", `"dewline.alarm.cleared.v1"`))+len(second.heard("dewline/north-loft/events", `"dewline.alarm.cleared.v1"`)) > 0
	})
	assert.NotEmpty(t, second.heard("dewline/north-loft/points/tub-1/water-temperature", `"in-band"`), "retained topics are published anew")
	r.wait("nothing waits any more", func() bool { return r.metric(`dewline_outbox_pending{outlet="mqtt"}`) == "0" })
}

// What a person does on a page is published over MQTT, and the page's trend comes from the store.
func TestAcknowledgedOnAPageAndHeardOnMQTT(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	ears := listen(t, b, nil, "dewline/north-loft/#")
	tree := newProbeTree(t)
	tree.Show(25)
	r := begin(t, 60, tree.root, keptSite+"mqtt: {broker: \""+b.URL+"\"}\n")
	r.wait("an alarm", func() bool { return r.letter(tubHigh) == "B" })
	body := `{"verb": "acknowledge", "occurrence": "` + r.alarm(tubHigh).Occurrence + `", "by": "page"}`
	response, err := http.Post("http://"+r.at.Web+"/api/command", "application/json", strings.NewReader(body))
	require.NoError(t, err)
	response.Body.Close()
	require.Equal(t, http.StatusOK, response.StatusCode)
	r.wait("it is heard", func() bool {
		return len(ears.heard("dewline/north-loft/events", `"dewline.alarm.acknowledged.v1"`, tubHigh, `"by":"page"`)) == 1
	})
	r.wait("and retained", func() bool {
		return len(ears.heard("dewline/north-loft/alarms/tub-1/water-temperature/high", `"state":"C"`)) > 0
	})
	r.wait("the store answers the trend page", func() bool {
		answer, err := http.Get("http://" + r.at.Web + "/api/trend?point=tub-1/water-temperature&from=2026-07-14T12:00:00Z&to=2026-07-14T15:00:00Z&columns=60")
		require.NoError(t, err)
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		return answer.StatusCode == http.StatusOK && strings.Contains(string(text), "25")
	})
}
