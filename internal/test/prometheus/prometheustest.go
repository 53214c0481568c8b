// Package prometheus runs the real Prometheus server of the distribution for tests, with its receiver of remote writes on.
package prometheus

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"

	"dewline/internal/test/harness"
)

// Server is a server with its own folder, which outlives its process.
type Server struct {
	t       testing.TB
	Address string // host:port
	Folder  string
	command *exec.Cmd
	done    chan struct{}
}

// Start starts a server with a configuration; "" for one that takes what is as old as ten days.
func Start(t testing.TB, configuration string) *Server {
	t.Helper()
	if configuration == "" {
		configuration = "storage: {tsdb: {out_of_order_time_window: 10d}}\n"
	}
	s := &Server{t: t, Address: harness.FreeAddress(t), Folder: t.TempDir()}
	s.must(os.WriteFile(filepath.Join(s.Folder, "prometheus.yml"), []byte(configuration), 0o600))
	t.Cleanup(s.Kill)
	s.Restart()
	return s
}

// Restart starts the server again after [Server.Stop] or [Server.Kill], and waits until it is ready.
func (s *Server) Restart() {
	s.t.Helper()
	program, err := exec.LookPath("prometheus")
	if err != nil {
		s.t.Fatal("the test needs the package prometheus of the distribution: make tools installs it")
	}
	s.command = exec.Command(program, "--config.file="+filepath.Join(s.Folder, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(s.Folder, "data"),
		"--web.listen-address="+s.Address, "--web.enable-remote-write-receiver", "--storage.tsdb.retention.time=100y", "--log.level=warn")
	log, err := os.OpenFile(filepath.Join(s.Folder, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	s.must(err)
	defer log.Close()
	s.command.Stdout, s.command.Stderr = log, log
	s.command.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} // it must not outlive the tests
	s.must(s.command.Start())
	s.done = make(chan struct{})
	go func(command *exec.Cmd, done chan struct{}) {
		_ = command.Wait() // how it ends is up to the test
		close(done)
	}(s.command, s.done)
	deadline := time.Now().Add(time.Minute)
	for !s.ready() {
		select {
		case <-s.done:
			s.t.Fatalf("prometheus has ended: %s", s.Log())
		case <-time.After(50 * time.Millisecond):
		}
		if time.Now().After(deadline) {
			s.t.Fatalf("prometheus is not ready: %s", s.Log())
		}
	}
}

func (s *Server) ready() bool {
	response, err := http.Get("http://" + s.Address + "/-/ready")
	if err != nil {
		return false
	}
	defer response.Body.Close()
	return response.StatusCode == http.StatusOK
}

// Stop ends the server in good order, Kill at once.
func (s *Server) Stop() { s.end(syscall.SIGTERM) }

// Kill ends the server as a power cut does.
func (s *Server) Kill() { s.end(syscall.SIGKILL) }

func (s *Server) end(signal syscall.Signal) {
	if s.command == nil || s.command.Process == nil || s.done == nil {
		return
	}
	_ = s.command.Process.Signal(signal) // it may have ended by itself
	<-s.done
}

// Log returns what the server has logged.
func (s *Server) Log() string {
	text, err := os.ReadFile(filepath.Join(s.Folder, "log"))
	s.must(err)
	return string(text)
}

// Write is the address of the receiver.
func (s *Server) Write() string { return "http://" + s.Address + "/api/v1/write" }

// Sample is a value of a series at a time in milliseconds.
type Sample struct {
	At    int64
	Value float64
}

// Samples returns all samples of the one series that a selector selects, up to a time.
func (s *Server) Samples(selector string, until time.Time) []Sample {
	s.t.Helper()
	q := url.Values{"query": {selector + "[30d]"}, "time": {strconv.FormatInt(until.Unix(), 10)}}
	response, err := http.Get("http://" + s.Address + "/api/v1/query?" + q.Encode())
	s.must(err)
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	s.must(err)
	var answer struct {
		Status, Error string
		Data          struct {
			Result []struct {
				Values [][2]any `json:"values"`
			} `json:"result"`
		} `json:"data"`
	}
	s.must(json.Unmarshal(body, &answer))
	if answer.Status != "success" || len(answer.Data.Result) > 1 {
		s.t.Fatalf("%s: %s", selector, body)
	}
	var samples []Sample
	for _, r := range answer.Data.Result {
		for _, v := range r.Values {
			at, _ := v[0].(float64)
			value, err := strconv.ParseFloat(fmt.Sprint(v[1]), 64)
			s.must(err)
			samples = append(samples, Sample{int64(at*1000 + 0.5), value})
		}
	}
	return samples
}

func (s *Server) must(err error) {
	if err != nil {
		s.t.Helper()
		s.t.Fatal(err)
	}
}
