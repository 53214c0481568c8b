// Package rig runs the program itself, as a process of its own, for tests that break something around it: its clock, its
// disk, its broker, its sensors, or the process. Nothing in it knows the inside of the daemon; what it learns it learns as a
// keeper does, over the control socket, MQTT, HTTP and the history file.
//
//	func TestMain(m *testing.M) { rig.Main(m) }
//
//	h := rig.New(t, rig.Options{Site: text, Pace: 60, Start: time.Date(…)})
//	h.Probe("tub-1").Show(23)
//	p := h.Start()
//	h.Wait("the heat alarm", func() bool { return h.Letter("tub-1/water-temperature/high") == "B" })
//	p.Kill()
package harness

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"dewline/internal/server/control"
	"dewline/internal/test/clockfile"
	"dewline/sensors/sensortest/kernelfiletest"
)

// Main runs the tests of a package and exits.
func Main(m *testing.M) { os.Exit(m.Run()) }

// Plain makes [Binary] leave out the race detector even where the tests have it: for tests that start the program hundreds of times.
// Call it before Main.
func Plain() { buildFlags = nil }

// Binary returns the path of the program, built from the checkout; with the race detector where the tests have it, and with the tag
// harness, which adds the flags --root and --clock of run. All packages share it in dist/harness: the first one links it, and the
// others find it up to date.
func Binary(t testing.TB) string {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

var program = sync.OnceValues(func() (string, error) {
	kind := "plain"
	if len(buildFlags) > 0 {
		kind = "race"
	}
	folder := filepath.Join(Checkout(), "dist", "harness", kind)
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return "", err
	}
	lock, err := os.OpenFile(filepath.Join(folder, "lock"), os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return "", err
	}
	defer lock.Close() // gives the lock back
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX); err != nil {
		return "", err
	}
	path := filepath.Join(folder, "dewline")
	flags := append([]string{"build", "-tags", "harness", "-ldflags=-s -w", "-o", path}, buildFlags...)
	build := exec.Command("go", append(flags, "./cmd/dewline")...)
	build.Dir = Checkout()
	if output, err := build.CombinedOutput(); err != nil {
		return "", fmt.Errorf("building the program: %w\n%s", err, output)
	}
	return path, nil
})

// Checkout is the folder of the source: the first one with a go.mod from the working directory upwards, "" without one. A path that
// the compiler has written into the program would be shortened by -trimpath.
func Checkout() string {
	folder, err := os.Getwd()
	for err == nil {
		if _, missing := os.Stat(filepath.Join(folder, "go.mod")); missing == nil {
			return folder
		}
		if filepath.Dir(folder) == folder {
			break
		}
		folder = filepath.Dir(folder)
	}
	return ""
}

// Options of a house.
type Options struct {
	// Site is the configuration. SOCKET, HISTORY, WEB and FOLDER in it stand for the house's own control socket, history
	// file, web address and folder.
	Site string
	// Start is what the clock shows at first, and Pace how fast it runs (0 means 1). With neither the machine's own clock is used.
	Start time.Time
	Pace  float64
	// Timers is how fast the program's timers run, where that is not Pace; see [House.Sleep].
	Timers float64
	// Unsynchronised says that the clock does not count as synchronised at first.
	Unsynchronised bool
	// Environment is added to the program's, such as GODEBUG=….
	Environment []string
}

// House is a room that dewline watches: a folder with configuration, clock, history and a kernel tree. It outlives the process.
type House struct {
	t       testing.TB
	Folder  string
	Config  string
	Clock   string // the file of the rehearsal's clock; "" for the machine's own
	Socket  string
	History string
	Web     string // host:port
	Client  *control.Client

	options  Options
	probes   map[string]*kernelfiletest.Probe
	running  *Process
	launched int
	user     uint32 // 0 for the one who tests
}

// New makes a house with the recorded kernel tree of the North Loft.
func New(t testing.TB, o Options) *House {
	t.Helper()
	folder := t.TempDir()
	h := &House{
		t: t, Folder: folder, Config: filepath.Join(folder, "site.yaml"), Socket: filepath.Join(folder, "control.sock"),
		History: filepath.Join(folder, "history.db"), Web: FreeAddress(t), options: o, probes: map[string]*kernelfiletest.Probe{},
	}
	h.Client = control.Dial(h.Socket)
	h.must(os.CopyFS(filepath.Join(folder, "sys"), os.DirFS(filepath.Join(Checkout(), "testdata/sys/north-loft"))))
	h.Write(o.Site)
	if o.Pace != 0 || !o.Start.IsZero() {
		h.Clock = filepath.Join(folder, "clock")
		now := time.Now().Round(0)
		s := clockfile.Setting{Origin: now, Wall: o.Start, Pace: o.Pace, Timers: o.Timers, Synchronised: !o.Unsynchronised, Boot: now}
		if s.Pace == 0 {
			s.Pace = 1
		}
		if s.Wall.IsZero() {
			s.Wall = now
		}
		h.must(clockfile.Write(h.Clock, s))
	}
	t.Cleanup(func() {
		if h.running != nil {
			h.running.Kill()
		}
	})
	return h
}

var addresses atomic.Uint32

// FreeAddress returns an address that no other process takes before the program does: each has a loopback host of its own, made of the
// number of this process, whereas everybody else listens on 127.0.0.1.
func FreeAddress(t testing.TB) string {
	t.Helper()
	pid := os.Getpid()
	l, err := net.Listen("tcp", fmt.Sprintf("127.%d.%d.%d:0", 1+pid>>8%254, pid%256, 1+addresses.Add(1)%254))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// Write writes the configuration.
func (h *House) Write(site string) {
	h.t.Helper()
	text := strings.NewReplacer("SOCKET", h.Socket, "HISTORY", h.History, "WEB", h.Web, "FOLDER", h.Folder).Replace(site)
	h.must(os.WriteFile(h.Config, []byte(text), 0o600))
}

// ROM is the 1-Wire code of a probe that [House.Probe] has made or will make. The first one is the recorded tree's own.
func ROM(number int) string {
	if number == 1 {
		return kernelfiletest.ProbeROM
	}
	return fmt.Sprintf("28-0000dead%04x", number)
}

// Probe returns the 1-Wire probe with a number from 1 up, whose ROM is [ROM].
func (h *House) Probe(number int) *kernelfiletest.Probe {
	h.t.Helper()
	rom := ROM(number)
	if p := h.probes[rom]; p != nil {
		return p
	}
	sys := filepath.Join(h.Folder, "sys")
	var p *kernelfiletest.Probe
	if number == 1 {
		p = kernelfiletest.NewProbe(h.t, sys)
	} else {
		p = kernelfiletest.AddProbe(h.t, sys, rom)
	}
	h.probes[rom] = p
	return p
}

// As lets the program run as another user, who gets the house. Only root may do that.
func (h *House) As(user uint32) {
	h.t.Helper()
	h.user = user
	h.must(filepath.WalkDir(h.Folder, func(path string, _ os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return os.Lchown(path, int(user), int(user))
	}))
	h.must(os.Chmod(filepath.Dir(h.Folder), 0o755))
	h.must(os.Chmod(filepath.Dir(Binary(h.t)), 0o755))
}

// Process is a running dewline.
type Process struct {
	Command *exec.Cmd
	log     lockedBuffer
	done    chan struct{}
	err     error
}

// Start starts the program and waits until it answers.
func (h *House) Start() *Process {
	h.t.Helper()
	p := h.Launch()
	h.Wait("the program answers", func() bool {
		select {
		case <-p.done:
			h.t.Fatalf("the program has ended: %v\n%s", p.err, p.Log())
		default:
		}
		_, err := h.Client.Alarms(h.t.Context())
		return err == nil
	})
	return p
}

// Launch starts the program and does not wait. Arguments are added to those of "run".
func (h *House) Launch(arguments ...string) *Process {
	h.t.Helper()
	arguments = append([]string{"run", "--verbose", "--config", h.Config, "--root", h.Folder}, arguments...)
	if h.Clock != "" {
		arguments = append(arguments, "--clock", h.Clock)
	}
	p := &Process{Command: exec.Command(Binary(h.t), arguments...), done: make(chan struct{})}
	p.Command.Stdout, p.Command.Stderr = &p.log, &p.log
	p.Command.Env = append(os.Environ(), h.options.Environment...)
	p.Command.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL} // it must not outlive the tests
	if h.user != 0 {
		p.Command.SysProcAttr.Credential = &syscall.Credential{Uid: h.user, Gid: h.user}
	}
	h.must(startLocked(p.Command))
	go func() {
		p.err = p.Command.Wait()
		close(p.done)
	}()
	h.running = p
	h.launched++
	number := h.launched
	h.t.Cleanup(func() {
		if h.t.Failed() && h.launched-number < 5 { // a test may have started hundreds
			h.t.Logf("log of process %d:\n%s", p.Command.Process.Pid, lastLines(p.Log(), 60))
		}
	})
	return p
}

// Log returns what the program has logged so far.
func (p *Process) Log() string { return p.log.String() }

// Kill ends the program as a power cut does.
func (p *Process) Kill() {
	_ = p.Command.Process.Kill()
	<-p.done
}

// Stop ends the program in good order and returns how it ended.
func (p *Process) Stop() error {
	_ = p.Command.Process.Signal(syscall.SIGTERM)
	<-p.done
	return p.err
}

// Reload lets the program read its configuration again.
func (p *Process) Reload() { _ = p.Command.Process.Signal(syscall.SIGHUP) }

// Done is closed when the program has ended.
func (p *Process) Done() <-chan struct{} { return p.done }

// Wait waits until a condition holds, for as long as a machine under load may need.
func (h *House) Wait(what string, holds func() bool) {
	h.t.Helper()
	for deadline := time.Now().Add(90 * time.Second); !holds(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			h.t.Fatalf("waited in vain: %s", what)
		}
	}
}

// Alarm returns the state of an alarm; a zero one while there is no such alarm or no answer.
func (h *House) Alarm(name string) control.Alarm {
	alarms, err := h.Client.Alarms(h.t.Context())
	if err != nil {
		return control.Alarm{}
	}
	for _, a := range alarms {
		if a.Alarm == name {
			return a
		}
	}
	return control.Alarm{}
}

// Letter returns the ISA-18.2 letter of an alarm.
func (h *House) Letter(name string) string { return string(h.Alarm(name).State) }

// Get returns what the web server answers, and an error beside any status but 200.
func (h *House) Get(path string) (string, error) {
	response, err := http.Get("http://" + h.Web + path)
	if err != nil {
		return "", err
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err == nil && response.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", path, response.Status)
	}
	return string(body), err
}

// Metric returns the value of a line of /metrics, "" while it is absent.
func (h *House) Metric(line string) string {
	text, err := h.Get("/metrics")
	if err != nil {
		return ""
	}
	for l := range strings.Lines(text) {
		if value, ok := strings.CutPrefix(l, line+" "); ok {
			return strings.TrimSpace(value)
		}
	}
	return ""
}

// Number returns a metric as a number, 0 while it is absent.
func (h *House) Number(line string) float64 {
	value, _ := strconv.ParseFloat(h.Metric(line), 64)
	return value
}

// Now returns what the clock of the house shows.
func (h *House) Now() time.Time {
	if h.Clock == "" {
		return time.Now()
	}
	s, err := clockfile.Read(h.Clock)
	h.must(err)
	return s.At(time.Now())
}

// Step sets the clock by a difference.
func (h *House) Step(by time.Duration) {
	h.t.Helper()
	h.must(clockfile.Step(h.Clock, by))
}

// Sleep lets a time pass at one blow, as in a suspended machine: no step of the clock.
func (h *House) Sleep(d time.Duration) {
	h.t.Helper()
	h.must(clockfile.Sleep(h.Clock, d))
}

// Synchronise makes the clock count as synchronised, after setting it by a difference at the same blow.
func (h *House) Synchronise(by time.Duration) {
	h.t.Helper()
	h.must(clockfile.Change(h.Clock, func(s *clockfile.Setting) { s.Wall, s.Synchronised = s.Wall.Add(by), true }))
}

func (h *House) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

// lockedBuffer is a buffer that is read while it is written.
type lockedBuffer struct {
	mu     sync.Mutex
	buffer bytes.Buffer
}

func (b *lockedBuffer) Write(data []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buffer.Write(data)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buffer.String()
}

func lastLines(text string, count int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-count):], "\n")
}
