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

// latencies are the middle and the last hundredth of a run, in ms.
type latencies struct {
	middle, last way
	bytes        spread // that the daemon hands to the system for an alarm
	spent        spread // ms of processor that it takes for an alarm
}

// way is the figures of dewline, of a bare message, and of a message that is sent once the bytes of an alarm are on the same disk, run by run.
type way struct{ ours, bare, durable spread }

// compareAlarms raises an alarm in each of many tubs, one after the other, and takes the time from the reading that establishes it, sent by
// MQTT, to the event on a subscriber's socket. One peer is a message that the broker hands on to the same subscriber. The other writes as many
// bytes as the daemon does for an alarm to a file on the same disk first, and has them synchronised once: what nobody may hear of before it
// is durable can hardly take less. The three take turns, so that what else the broker, the disk and the processors do meets them alike.
func compareAlarms(ctx context.Context, folder, program string, runs int) (result latencies, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	address, err := startBroker(ctx, folder)
	if err != nil {
		return result, err
	}
	path := filepath.Join(folder, "site.yaml")
	if err := os.WriteFile(path, []byte(fedSite(folder, address, "127.0.0.1:0", tubs, "60s")), 0o600); err != nil {
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
	durable, err := os.Create(filepath.Join(folder, "durable"))
	if err != nil {
		return result, err
	}
	defer durable.Close()
	b := &bench{ctx: ctx, session: session, heard: heard.C, daemon: daemon.Process.Pid, durable: durable}
	if _, err := b.wait(func(m mqtt.Received) bool {
		return m.Topic == "dewline/bench/status" && strings.Contains(string(m.Payload), "online")
	}); err != nil {
		return result, fmt.Errorf("the program does not start: %w", err)
	}
	if _, _, _, err := b.run(); err != nil { // how many bytes the peer has to write is known after a first run, which does not count
		return result, err
	}
	for range runs {
		ours, bare, durable, err := b.run()
		if err != nil {
			return result, err
		}
		for _, l := range []struct {
			of   *way
			part int
		}{{&result.middle, 50}, {&result.last, 99}} {
			l.of.ours = append(l.of.ours, percentile(ours, l.part))
			l.of.bare = append(l.of.bare, percentile(bare, l.part))
			l.of.durable = append(l.of.durable, percentile(durable, l.part))
		}
		result.bytes, result.spent = append(result.bytes, float64(b.bytes)), append(result.spent, b.spent)
	}
	return result, nil
}

// bench is one subscriber who publishes as well.
type bench struct {
	ctx     context.Context
	session *mqtt.Session
	heard   <-chan mqtt.Received
	daemon  int      // its process
	durable *os.File // where the peer writes
	bytes   int      // of an alarm, as the last run has shown
	spent   float64  // ms of processor for an alarm, likewise
}

// run raises the alarms of all tubs once. Readings within the band come first, then two beyond it, the second of which establishes the alarm.
func (b *bench) run() (ours, bare, durable []float64, err error) {
	for _, value := range []string{"22", "22", "25"} {
		for i := range tubs {
			if err := b.publish(fmt.Sprintf("sensors/tub-%d", i), value); err != nil {
				return nil, nil, nil, err
			}
		}
		time.Sleep(1500 * time.Millisecond)
	}
	before, err := ofProcess(b.daemon, "io", "wchar")
	if err != nil {
		return nil, nil, nil, err
	}
	begun, err := processorOf(b.daemon)
	if err != nil {
		return nil, nil, nil, err
	}
	page := make([]byte, b.bytes)
	for i := range tubs {
		topic := fmt.Sprintf("bare/tub-%d", i)
		took, err := b.time(nil, topic, "25", func(m mqtt.Received) bool { return m.Topic == topic })
		if err != nil {
			return nil, nil, nil, err
		}
		bare = append(bare, took)
		if took, err = b.time(nil, fmt.Sprintf("sensors/tub-%d", i), "25", func(m mqtt.Received) bool { return raised(m, i) }); err != nil {
			return nil, nil, nil, fmt.Errorf("the alarm of tub-%d: %w", i, err)
		}
		ours = append(ours, took)
		topic = fmt.Sprintf("durable/tub-%d", i)
		if took, err = b.time(page, topic, "25", func(m mqtt.Received) bool { return m.Topic == topic }); err != nil {
			return nil, nil, nil, err
		}
		durable = append(durable, took)
	}
	after, err := ofProcess(b.daemon, "io", "wchar")
	if err != nil {
		return nil, nil, nil, err
	}
	ended, err := processorOf(b.daemon)
	if err != nil {
		return nil, nil, nil, err
	}
	b.bytes, b.spent = int(after-before)/tubs, (ended-begun).Seconds()*1000/tubs
	return ours, bare, durable, nil
}

// time publishes a message, once some bytes are on the disk where there are any, and returns how long it takes in ms until what is meant
// is heard.
func (b *bench) time(first []byte, topic, payload string, meant func(mqtt.Received) bool) (float64, error) {
	sent := time.Now()
	if first != nil {
		if _, err := b.durable.WriteAt(first, 0); err != nil {
			return 0, err
		}
		if err := b.durable.Sync(); err != nil {
			return 0, err
		}
	}
	if err := b.publish(topic, payload); err != nil {
		return 0, err
	}
	m, err := b.wait(meant)
	return m.At.Sub(sent).Seconds() * 1000, err
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
	if address, err = freeAddress(); err != nil {
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
