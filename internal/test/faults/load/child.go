package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// child is the daemon under load.
type child struct {
	process *exec.Cmd
	started time.Time
	web     string // host:port
	done    chan error
	log     *os.File
}

// startChild builds the program and runs it on a configuration.
func startChild(ctx context.Context, folder string, more ...string) (*child, error) {
	program := filepath.Join(folder, "dewline")
	if out, err := exec.CommandContext(ctx, "go", "build", "-tags", "harness", "-o", program, "dewline/cmd/dewline").CombinedOutput(); err != nil {
		return nil, fmt.Errorf("building dewline: %w: %s", err, out)
	}
	log, err := os.Create(filepath.Join(folder, "dewline.log"))
	if err != nil {
		return nil, err
	}
	c := &child{log: log, done: make(chan error, 1)}
	c.process = exec.Command(program, append([]string{"run", "--config", filepath.Join(folder, "site.yaml")}, more...)...)
	c.process.Stdout, c.process.Stderr = log, log
	c.process.Env = traceEnvironment()
	c.started = time.Now()
	if err := c.process.Start(); err != nil {
		return nil, err
	}
	go func() { c.done <- c.process.Wait() }()
	socket := filepath.Join(folder, "control.sock")
	for c.web == "" {
		select {
		case err := <-c.done:
			c.done <- err
			return nil, fmt.Errorf("dewline ended at once: %v\n%s", err, tail(log.Name()))
		case <-time.After(100 * time.Millisecond):
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		}
		if _, err := os.Stat(socket); err != nil {
			continue
		}
		if c.web, err = listensAt(c.process.Process.Pid); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// listensAt finds the loopback port on which a process listens, "" while there is none: the daemon takes any free one.
func listensAt(pid int) (string, error) {
	mine := map[string]bool{}
	folder := fmt.Sprintf("/proc/%d/fd", pid)
	entries, err := os.ReadDir(folder)
	if err != nil {
		return "", err
	}
	for _, e := range entries {
		if link, err := os.Readlink(filepath.Join(folder, e.Name())); err == nil {
			mine[strings.TrimSuffix(strings.TrimPrefix(link, "socket:["), "]")] = true
		}
	}
	table, err := os.ReadFile(fmt.Sprintf("/proc/%d/net/tcp", pid))
	if err != nil {
		return "", err
	}
	const listening = "0A" // proc_pid_net(5), include/net/tcp_states.h
	for line := range strings.Lines(string(table)) {
		f := strings.Fields(line)
		if len(f) < 10 || f[3] != listening || !mine[f[9]] {
			continue
		}
		_, hex, _ := strings.Cut(f[1], ":")
		port, err := strconv.ParseUint(hex, 16, 16)
		if err != nil {
			return "", err
		}
		return fmt.Sprintf("127.0.0.1:%d", port), nil
	}
	return "", nil
}

// stop ends the child in good order.
func (c *child) stop() error {
	defer c.log.Close()
	_ = c.process.Process.Signal(syscall.SIGTERM) // it may have ended by itself
	select {
	case err := <-c.done:
		return err
	case <-time.After(2 * time.Minute):
		_ = c.process.Process.Kill()
		<-c.done
		return fmt.Errorf("dewline did not stop within two minutes")
	}
}

func tail(path string) string {
	text, err := os.ReadFile(path)
	if err != nil {
		return err.Error()
	}
	return string(text[max(0, len(text)-2000):])
}

// vitals is how the child is.
type vitals struct {
	at            time.Duration // since the counting began
	resident      float64       // MiB
	live          float64       // MiB of the heap, after the last collection
	goroutines    float64
	read          map[string]int64 // good samples so far, by sensor
	processor     float64          // CPU seconds so far
	outboxPending float64
}

var wanted = regexp.MustCompile(`^(go_gc_heap_live_bytes|go_goroutines|process_cpu_seconds_total|dewline_outbox_pending\{outlet="mqtt"\}|dewline_sensor_reads_total\{result="ok",sensor="([^"]*)"\}|dewline_sensor_reads_total\{sensor="([^"]*)",result="ok"\}) (\S+)`)

// look reads /metrics and /proc.
func (c *child) look(ctx context.Context) (vitals, error) {
	v := vitals{read: map[string]int64{}}
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+c.web+"/metrics", nil)
	if err != nil {
		return v, err
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return v, err
	}
	defer response.Body.Close()
	lines := bufio.NewScanner(response.Body)
	for lines.Scan() {
		m := wanted.FindStringSubmatch(lines.Text())
		if m == nil {
			continue
		}
		value, err := strconv.ParseFloat(m[4], 64)
		if err != nil {
			return v, fmt.Errorf("metric %q: %w", lines.Text(), err)
		}
		switch {
		case m[1] == "go_goroutines":
			v.goroutines = value
		case strings.HasPrefix(m[1], "go_gc_heap_live"):
			v.live = value / (1 << 20)
		case strings.HasPrefix(m[1], "process_cpu"):
			v.processor = value
		case strings.HasPrefix(m[1], "dewline_outbox"):
			v.outboxPending = value
		default:
			v.read[m[2]+m[3]] = int64(value)
		}
	}
	if err := lines.Err(); err != nil && err != io.EOF {
		return v, err
	}
	v.resident, err = residentMiB(c.process.Process.Pid)
	return v, err
}

// residentMiB reads the resident memory of a process (proc_pid_status(5)).
func residentMiB(pid int) (float64, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kib, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), "kB")), 64)
			return kib / 1024, err
		}
	}
	return 0, fmt.Errorf("/proc/%d/status has no VmRSS", pid)
}

// readings is how many readings of the nodes the daemon has taken by then, and from how many of them.
func (v *vitals) readings(nodes []*node) (readings int64, heard int) {
	for _, n := range nodes {
		samples := v.read[n.sensor()]
		readings += samples * int64(n.readings())
		if samples > 0 {
			heard++
		}
	}
	return readings, heard
}

// collections reads what the daemon has written of its collections since a time.
func (c *child) collections(since time.Time) ([]collection, error) {
	log, err := os.Open(c.log.Name())
	if err != nil {
		return nil, err
	}
	defer log.Close()
	return readTrace(log, since.Sub(c.started))
}

// loadAverage is that of the machine, over a minute.
func loadAverage() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	return strings.Fields(string(text))[0]
}
