package mqttfed

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/intake"
	"dewline/internal/core/quantity"
	"dewline/internal/mqtt"
	"dewline/internal/mqtt/broker"
	"dewline/internal/test/mosquitto"
	"dewline/sensors"
)

const patient = 20 * time.Second // for what must happen

// wires is a link whose messages the test makes.
type wires struct {
	topics map[string]chan mqtt.Received
	qos    byte
}

func (w *wires) Subscribe(filter string, qos byte, capacity int) (*mqtt.Subscription, error) {
	if filter == "broken" {
		return nil, errors.New("no such thing")
	}
	c := make(chan mqtt.Received, capacity)
	w.topics[filter], w.qos = c, qos
	return &mqtt.Subscription{Filter: filter, C: c}, nil
}

func TestRunDeliversMessagesAndSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		probe := plainProbe
		probe.Every, probe.SilentAfter = 10*time.Second, 30*time.Second
		f := newFeed(t, probe, board)
		link := &wires{topics: map[string]chan mqtt.Received{}}
		start := time.Now()
		var got []string
		ctx, cancel := context.WithCancel(t.Context())
		var wait sync.WaitGroup
		wait.Go(func() {
			assert.NoError(t, f.Run(ctx, link, func(s intake.Sample) {
				got = append(got, fmt.Sprint(s.Sensor, " ", s.At.Sub(start), " ", sensors.KindOf(s.Err), " ", len(s.Reading.Values)))
			}))
		})
		time.Sleep(5500 * time.Millisecond)
		synctest.Wait()
		assert.Len(t, link.topics, 2)
		assert.Zero(t, link.qos, "the broker must queue nothing while there is no connection")
		link.topics[probe.Topic] <- mqtt.Received{Topic: probe.Topic, Payload: []byte("23.4")}
		link.topics[board.Topic] <- mqtt.Received{Topic: board.Topic, Payload: []byte(`{"bme":{"t":70,"rh":50,"p":1000}}`)}
		time.Sleep(45 * time.Second)
		synctest.Wait()
		cancel()
		wait.Wait()
		assert.ElementsMatch(t, []string{
			"tub-1-esp 5.5s unknown 1", "shed-esp 5.5s unknown 3", "tub-1-esp 35.5s timeout 0", "tub-1-esp 45.5s timeout 0",
		}, got)
	})
}

func TestRunReturnsWhatItCannotSubscribeTo(t *testing.T) {
	f := newFeed(t, board, Source{ID: "x", Topic: "broken", Unit: units{temperature: quantity.Celsius}})
	err := f.Run(t.Context(), &wires{topics: map[string]chan mqtt.Received{}}, func(intake.Sample) {})
	assert.EqualError(t, err, "sensors over MQTT: no such thing")
}

// listen runs a feed on a link of its own and returns its samples, once it is connected and subscribed.
func listen(t *testing.T, f *Feed, o mqtt.Options) <-chan intake.Sample {
	t.Helper()
	link, err := mqtt.New(o)
	require.NoError(t, err)
	samples := make(chan intake.Sample, 64)
	ctx, cancel := context.WithCancel(context.Background())
	var wait sync.WaitGroup
	wait.Go(func() { assert.NoError(t, f.Run(ctx, link, func(s intake.Sample) { samples <- s })) })
	wait.Go(func() { assert.NoError(t, link.Run(ctx)) })
	t.Cleanup(func() { cancel(); wait.Wait() })
	limited, cancelLimited := context.WithTimeout(t.Context(), patient)
	defer cancelLimited()
	_, err = link.Session(limited)
	require.NoError(t, err)
	return samples
}

func next(t *testing.T, samples <-chan intake.Sample) intake.Sample {
	t.Helper()
	select {
	case s := <-samples:
		return s
	case <-time.After(patient):
		t.Fatal("no sample came")
		return intake.Sample{}
	}
}

// TestAMicrocontrollerOverMosquitto has mosquitto_pub in the part of the microcontroller.
func TestAMicrocontrollerOverMosquitto(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"dewline": "secret", "esp": "hush"}})
	pub := func(topic, payload string, more ...string) {
		t.Helper()
		args := append([]string{"-h", b.Host, "-p", strconv.Itoa(b.Port), "-u", "esp", "-P", "hush", "-t", topic, "-m", payload}, more...)
		out, err := exec.CommandContext(t.Context(), mosquitto.Find(t, "mosquitto_pub"), args...).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	pub(plainProbe.Topic, "19.9", "-r") // retained by the broker from some other day
	before := time.Now().Add(-30 * time.Second).Truncate(time.Second)
	kept := fmt.Sprintf(`[{"n":"esp:t","u":"Cel","v":21.5,"t":%d}]`, before.Unix())
	pub(senmlBoard.Topic, kept, "-r") // retained too, and it carries its time
	password := filepath.Join(t.TempDir(), "password")
	require.NoError(t, os.WriteFile(password, []byte("secret\n"), 0o600))
	samples := listen(t, newFeed(t, plainProbe, board, senmlBoard), mqtt.Options{
		Broker: b.URL, ClientID: mqtt.ClientID("north-loft", "intake"), Username: "dewline", PasswordFile: password,
	})
	s := next(t, samples) // subscriptions are made in their order, so the others are made by now
	assert.Equal(t, "loft-esp", s.Sensor)
	assert.Equal(t, map[sensors.Channel]float64{temperature: 21.5}, values(s))
	assert.True(t, before.Equal(s.At))

	pub(plainProbe.Topic, " 23.40")
	s = next(t, samples)
	assert.Equal(t, plainProbe.ID, s.Sensor, "and not what was retained")
	assert.Equal(t, map[sensors.Channel]float64{temperature: 23.4}, values(s))
	assert.WithinDuration(t, time.Now(), s.At, patient)

	pub(board.Topic, `{"bme":{"t":72.5,"rh":61.5,"p":1013.25}}`, "-q", "1")
	s = next(t, samples)
	assert.Equal(t, map[sensors.Channel]float64{temperature: 22.5, humidity: 61.5, pressure: 101325}, values(s))

	pub(plainProbe.Topic, "nan")
	s = next(t, samples)
	assert.EqualError(t, s.Err, `message on shed/tub-1/t for sensor tub-1-esp: implausible: "nan" is not a number`)

	pub(senmlBoard.Topic, `[{"bn":"esp:","n":"t","u":"Cel","v":22.5},{"n":"rh","u":"%RH","v":61.5}]`)
	assert.Equal(t, map[sensors.Channel]float64{temperature: 22.5, humidity: 61.5}, values(next(t, samples)))

	b.Restart() // it has lost everything, and the link subscribes again
	require.Eventually(t, func() bool {
		pub(plainProbe.Topic, "24.5")
		select {
		case s = <-samples:
			return true
		case <-time.After(100 * time.Millisecond):
			return false
		}
	}, patient, time.Millisecond)
	assert.Equal(t, map[sensors.Channel]float64{temperature: 24.5}, values(s))
}

// TestOverTheEmbeddedBroker: a sensor on the same board, with a user that may write its own topic only.
func TestOverTheEmbeddedBroker(t *testing.T) {
	password := filepath.Join(t.TempDir(), "esp")
	require.NoError(t, os.WriteFile(password, []byte("hush"), 0o600))
	b, err := broker.Start(broker.Options{
		Listen: "127.0.0.1:0", Root: "dewline/north-loft",
		Users: []broker.User{{Name: "esp", PasswordFile: password, Write: []string{"shed/#"}}},
	})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.Close()) })
	samples := listen(t, newFeed(t, plainProbe, board), mqtt.Options{
		Broker: b.URL(), ClientID: mqtt.ClientID("north-loft", "intake"), Credentials: b.Credentials,
	})
	esp, err := mqtt.New(mqtt.Options{Broker: b.URL(), ClientID: "esp", Username: "esp", PasswordFile: password})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- esp.Run(ctx) }()
	limited, cancelLimited := context.WithTimeout(t.Context(), patient)
	defer cancelLimited()
	session, err := esp.Session(limited)
	require.NoError(t, err)
	var s intake.Sample
	require.Eventually(t, func() bool {
		require.NoError(t, session.Publish(limited, mqtt.Message{Topic: plainProbe.Topic, Payload: []byte("23.4"), QoS: 1}))
		select {
		case s = <-samples:
			return true
		case <-time.After(50 * time.Millisecond):
			return false
		}
	}, patient, time.Millisecond)
	assert.Equal(t, map[sensors.Channel]float64{temperature: 23.4}, values(s))
	cancel()
	require.NoError(t, <-ended)
}
