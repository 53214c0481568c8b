package main

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"

	"dewline/internal/mqtt"
)

// lived is what the daemon takes, run by run.
type lived struct {
	start, memory, day spread // s of processor to the first value; MB resident; s of processor in a day
	pages              map[string]float64
}

// The daemon is watched for so many rounds of readings, each ten seconds, after it has settled.
const settling, watched = 1, 4

// live runs the daemon on points that are fed over MQTT every ten seconds, and reads what it takes.
func live(ctx context.Context, folder, program string, points, runs int) (l lived, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if folder, err = os.MkdirTemp(folder, "live"); err != nil {
		return l, err
	}
	address, err := startBroker(ctx, folder)
	if err != nil {
		return l, err
	}
	for range runs {
		if err := l.once(ctx, folder, program, address, points); err != nil {
			return l, err
		}
	}
	return l, nil
}

func (l *lived) once(ctx context.Context, folder, program, broker string, points int) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	folder, err := os.MkdirTemp(folder, "run")
	if err != nil {
		return err
	}
	web, err := freeAddress()
	if err != nil {
		return err
	}
	path := filepath.Join(folder, "site.yaml")
	if err := os.WriteFile(path, []byte(fedSite(folder, broker, web, points, "10s")), 0o600); err != nil {
		return err
	}
	client, err := mqtt.New(mqtt.Options{Broker: "mqtt://" + broker, ClientID: "bench-live"})
	if err != nil {
		return err
	}
	heard, err := client.Subscribe("dewline/bench/readings/#", 0, 10_000)
	if err != nil {
		return err
	}
	ended := make(chan struct{})
	go func() { defer close(ended); _ = client.Run(ctx) }() // it returns nil
	defer func() { cancel(); <-ended }()
	session, err := client.Session(ctx)
	if err != nil {
		return err
	}
	feed := func() error {
		for i := range points {
			if err := session.Publish(ctx, mqtt.Message{Topic: fmt.Sprintf("sensors/tub-%d", i), Payload: []byte(fmt.Sprintf("22.%d", i%10))}); err != nil {
				return err
			}
		}
		return nil
	}
	daemon := exec.CommandContext(ctx, program, "run", "--config", path)
	daemon.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := daemon.Start(); err != nil {
		return fmt.Errorf("starting %s (make build makes it): %w", program, err)
	}
	defer func() { _ = daemon.Process.Signal(syscall.SIGTERM); _ = daemon.Wait() }()
	for first := false; !first; {
		if err := session.Publish(ctx, mqtt.Message{Topic: "sensors/tub-0", Payload: []byte("22")}); err != nil {
			return err
		}
		select {
		case <-heard.C:
			first = true
		case <-time.After(20 * time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	started, err := processorOf(daemon.Process.Pid)
	if err != nil {
		return err
	}
	l.start = append(l.start, started.Seconds())
	ticker := time.NewTicker(10 * time.Second)
	defer ticker.Stop()
	var before time.Duration
	began := time.Now()
	for n := range settling + watched {
		if n == settling {
			began = time.Now()
			if before, err = processorOf(daemon.Process.Pid); err != nil {
				return err
			}
		}
		if err := feed(); err != nil {
			return err
		}
		for drained := false; !drained; {
			select {
			case <-heard.C:
			case <-ticker.C:
				drained = true
			}
		}
	}
	after, err := processorOf(daemon.Process.Pid)
	if err != nil {
		return err
	}
	l.day = append(l.day, (after-before).Seconds()*(24*time.Hour).Seconds()/time.Since(began).Seconds())
	kilobytes, err := ofProcess(daemon.Process.Pid, "status", "VmRSS")
	if err != nil {
		return err
	}
	l.memory = append(l.memory, kilobytes*1024/1e6)
	if l.pages == nil {
		l.pages, err = weigh(ctx, "http://"+web)
	}
	return err
}

// processorOf sums what the threads of a process have had of the processors, in ns, from the scheduler itself.
func processorOf(pid int) (sum time.Duration, err error) {
	threads, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", pid))
	if err != nil || len(threads) == 0 {
		return 0, fmt.Errorf("process %d has ended", pid)
	}
	for _, path := range threads {
		text, err := os.ReadFile(path)
		if err != nil {
			return 0, err
		}
		ns, err := strconv.ParseInt(strings.Fields(string(text))[0], 10, 64)
		if err != nil {
			return 0, err
		}
		sum += time.Duration(ns)
	}
	return sum, nil
}

var loaded = regexp.MustCompile(`(?:src|href)="(/assets/[^"]+|/icon\.svg)"`)

// weigh adds up, in kB as they cross the line, each page with what it names.
func weigh(ctx context.Context, at string) (map[string]float64, error) {
	pages := map[string]float64{}
	for _, path := range []string{"/", "/today", "/trend", "/alarms", "/sensors", "/wall"} {
		size, text, err := fetch(ctx, at+path)
		if err != nil {
			return nil, err
		}
		seen := map[string]bool{}
		for _, found := range loaded.FindAllStringSubmatch(text, -1) {
			if name := found[1]; !seen[name] && !strings.HasSuffix(name, ".txt") { // the licences are not loaded
				seen[name] = true
				more, _, err := fetch(ctx, at+name)
				if err != nil {
					return nil, err
				}
				size += more
			}
		}
		pages[path] = float64(size) / 1000
	}
	return pages, nil
}

func fetch(ctx context.Context, address string) (size int, text string, err error) {
	ask, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return 0, "", err
	}
	ask.Header.Set("Accept-Encoding", "gzip")
	answer, err := http.DefaultClient.Do(ask)
	if err != nil {
		return 0, "", err
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return 0, "", fmt.Errorf("%s: %s", address, answer.Status)
	}
	body, err := io.ReadAll(answer.Body)
	if err != nil || answer.Header.Get("Content-Encoding") != "gzip" {
		return len(body), string(body), err
	}
	plain, err := gzip.NewReader(strings.NewReader(string(body)))
	if err != nil {
		return 0, "", err
	}
	whole, err := io.ReadAll(plain)
	return len(body), string(whole), err
}

func freeAddress() (string, error) {
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return free.Addr().String(), free.Close()
}

// fedSite is a configuration whose tubs are fed over MQTT.
func fedSite(folder, broker, web string, tubs int, every string) string {
	var config strings.Builder
	fmt.Fprintf(&config, "site: bench\ntimezone: UTC\nhistory: {path: %s/history.db}\nweb: {listen: %q}\ncontrol: {socket: %s/control.sock}\nmqtt: {broker: \"mqtt://%s\"}\nplaces:\n",
		folder, web, folder, broker)
	for i := range tubs {
		fmt.Fprintf(&config, "  - {id: tub-%d, kind: tub, bands: {water-temperature: {high: 24 °C, on-delay: 1s, off-delay: 1s}}}\n", i)
	}
	config.WriteString("sensors:\n")
	for i := range tubs {
		fmt.Fprintf(&config, "  - {id: probe-%d, driver: mqtt, topic: sensors/tub-%d, unit: Cel, every: %s, gap: 1h, stale-after: 3h, feeds: {temperature: tub-%d/water-temperature}}\n", i, i, every, i)
	}
	return config.String()
}

// weighPrograms returns the sizes of dewline, as it is built for boards of both kinds, and of the bare engine with its TSDB, stripped, in MB.
func weighPrograms(ctx context.Context, folder string) (ours, peer []float64, err error) {
	for _, board := range []struct {
		architecture string
		environment  []string
	}{{"armhf", []string{"GOARCH=arm", "GOARM=6"}}, {"arm64", []string{"GOARCH=arm64"}}} {
		out := filepath.Join(folder, "program")
		build := exec.CommandContext(ctx, "go", "build", "-trimpath", "-ldflags", "-s -w", "-o", out, ".")
		build.Dir, build.Env = "internal/test/peers/tsdb", append(append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux"), board.environment...)
		if text, err := build.CombinedOutput(); err != nil {
			return nil, nil, errors.New(string(text))
		}
		for path, sizes := range map[string]*[]float64{filepath.Join("dist", board.architecture, "dewline"): &ours, out: &peer} {
			info, err := os.Stat(path)
			if err != nil {
				return nil, nil, err
			}
			*sizes = append(*sizes, float64(info.Size())/1e6)
		}
	}
	return ours, peer, nil
}
