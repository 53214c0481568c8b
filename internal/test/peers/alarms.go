package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"dewline/internal/format/cloudevent"
	"dewline/internal/mqtt"
)

// tubs is how many alarms one run raises.
const tubs = 100

// latencies are the middle and the last hundredth, in ms.
type latencies struct{ middle, last pair }

// compareAlarms raises an alarm in each of many tubs, one after the other, and takes the time from the reading that establishes it, sent by
// MQTT, to the event on a subscriber's socket. The peer is a message that the broker hands on to the same subscriber.
func compareAlarms(ctx context.Context, folder, program string, runs int) (result latencies, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	address, err := startBroker(ctx, folder)
	if err != nil {
		return result, err
	}
	var config strings.Builder
	fmt.Fprintf(&config, "site: bench\ntimezone: UTC\nhistory: {path: %s/alarms.db}\nweb: {listen: 127.0.0.1:0}\ncontrol: {socket: %s/control.sock}\nmqtt: {broker: \"mqtt://%s\"}\nplaces:\n",
		folder, folder, address)
	for i := range tubs {
		fmt.Fprintf(&config, "  - {id: tub-%d, kind: tub, bands: {water-temperature: {high: 24 °C, on-delay: 1s, off-delay: 1s}}}\n", i)
	}
	config.WriteString("sensors:\n")
	for i := range tubs {
		fmt.Fprintf(&config, "  - {id: probe-%d, driver: mqtt, topic: sensors/tub-%d, unit: Cel, every: 60s, gap: 1h, stale-after: 3h, feeds: {temperature: tub-%d/water-temperature}}\n", i, i, i)
	}
	path := filepath.Join(folder, "site.yaml")
	if err := os.WriteFile(path, []byte(config.String()), 0o600); err != nil {
		return result, err
	}
	daemon := exec.CommandContext(ctx, program, "run", "--config", path)
	daemon.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := daemon.Start(); err != nil {
		return result, fmt.Errorf("starting %s (make build makes it): %w", program, err)
	}
	defer func() { _ = daemon.Process.Signal(syscall.SIGTERM); _ = daemon.Wait() }()
	client, err := mqtt.New(mqtt.Options{Broker: "mqtt://" + address, ClientID: "bench"})
	if err != nil {
		return result, err
	}
	heard, err := client.Subscribe("#", 1, 100_000)
	if err != nil {
		return result, err
	}
	go func() { _ = client.Run(ctx) }() // it returns nil
	session, err := client.Session(ctx)
	if err != nil {
		return result, err
	}
	b := &bench{ctx: ctx, session: session, heard: heard.C}
	if _, err := b.wait(func(m mqtt.Received) bool {
		return m.Topic == "dewline/bench/status" && strings.Contains(string(m.Payload), "online")
	}); err != nil {
		return result, fmt.Errorf("the program does not start: %w", err)
	}
	for range runs {
		ours, peer, err := b.run()
		if err != nil {
			return result, err
		}
		for _, l := range []struct {
			of   *pair
			part int
		}{{&result.middle, 50}, {&result.last, 99}} {
			l.of.ours, l.of.peer = append(l.of.ours, percentile(ours, l.part)), append(l.of.peer, percentile(peer, l.part))
		}
	}
	return result, nil
}

// bench is one subscriber who publishes as well.
type bench struct {
	ctx     context.Context
	session *mqtt.Session
	heard   <-chan mqtt.Received
}

// run raises the alarms of all tubs once. Readings within the band come first, then two beyond it, the second of which establishes the alarm.
func (b *bench) run() (ours, peer []float64, err error) {
	for _, value := range []string{"22", "22", "25"} {
		for i := range tubs {
			if err := b.publish(fmt.Sprintf("sensors/tub-%d", i), value); err != nil {
				return nil, nil, err
			}
		}
		time.Sleep(1500 * time.Millisecond)
	}
	for i := range tubs {
		sent := time.Now()
		if err := b.publish(fmt.Sprintf("bare/tub-%d", i), "25"); err != nil {
			return nil, nil, err
		}
		m, err := b.wait(func(m mqtt.Received) bool { return m.Topic == fmt.Sprintf("bare/tub-%d", i) })
		if err != nil {
			return nil, nil, err
		}
		peer = append(peer, m.At.Sub(sent).Seconds()*1000)
		sent = time.Now()
		if err := b.publish(fmt.Sprintf("sensors/tub-%d", i), "25"); err != nil {
			return nil, nil, err
		}
		m, err = b.wait(func(m mqtt.Received) bool { return raised(m, i) })
		if err != nil {
			return nil, nil, fmt.Errorf("the alarm of tub-%d: %w", i, err)
		}
		ours = append(ours, m.At.Sub(sent).Seconds()*1000)
	}
	return ours, peer, nil
}

// raised reports whether a message is the event that the alarm of a tub was raised.
func raised(m mqtt.Received, tub int) bool {
	if m.Topic != "dewline/bench/events" {
		return false
	}
	var e cloudevent.Event
	return json.Unmarshal(m.Payload, &e) == nil && e.Type == "dewline.alarm.raised.v1" && e.Subject == fmt.Sprintf("tub-%d/water-temperature/high", tub)
}

func (b *bench) publish(topic, payload string) error {
	return b.session.Publish(b.ctx, mqtt.Message{Topic: topic, QoS: 1, Payload: []byte(payload)})
}

// wait returns the first message that is meant.
func (b *bench) wait(meant func(mqtt.Received) bool) (mqtt.Received, error) {
	end := time.NewTimer(time.Minute)
	defer end.Stop()
	for {
		select {
		case m := <-b.heard:
			if meant(m) {
				return m, nil
			}
		case <-end.C:
			return mqtt.Received{}, errors.New("nothing came within a minute")
		}
	}
}

// startBroker starts mosquitto on a free port, and ends it with the context.
func startBroker(ctx context.Context, folder string) (address string, err error) {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	address = free.Addr().String()
	if err := free.Close(); err != nil {
		return "", err
	}
	_, port, _ := net.SplitHostPort(address)
	path := filepath.Join(folder, "mosquitto.conf")
	text := "listener " + port + " 127.0.0.1\nallow_anonymous true\nlog_dest none\nset_tcp_nodelay true\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		return "", err
	}
	program, err := exec.LookPath("mosquitto")
	if err != nil {
		program = "/usr/sbin/mosquitto" // not on the path of an ordinary user
	}
	broker := exec.CommandContext(ctx, program, "-c", path)
	broker.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := broker.Start(); err != nil {
		return "", err
	}
	for range 200 {
		if conn, err := net.Dial("tcp", address); err == nil {
			return address, conn.Close()
		}
		time.Sleep(50 * time.Millisecond)
	}
	return "", errors.New("mosquitto does not start")
}

// percentile returns the value below which so many hundredths are.
func percentile(values []float64, part int) float64 {
	sorted := slices.Sorted(slices.Values(values))
	return sorted[min(len(sorted)*part/100, len(sorted)-1)]
}
