package season

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"dewline/internal/test/harness"
)

// The program has no race detector here, which would make six minutes of twenty weeks: what runs in it runs in other tests with it.
func TestMain(m *testing.M) {
	harness.Plain()
	harness.Main(m)
}

// step is how far the clock moves at a blow. Each sensor is read at least once after each. It is less than the two hours after which a
// humidity that has not moved is taken for a broken sensor.
const step = 110 * time.Minute

// loft is the house with what lives in it.
type loft struct {
	*harness.House
	t       *testing.T
	zone    *time.Location
	phone   *phone
	process *harness.Process
	now     time.Time
	written map[string][]shown // by place
	device  map[string]device  // by place
	watches map[int32]string   // folder by inotify's number
	notify  int
	flicker float64
	// calibrated is when the new sensors of a place were compared; just before, their readings were wrong by as much.
	calibrated map[string][]time.Time
}

// shown is what is true at a place from a time on.
type shown struct {
	at               time.Time
	celsius, percent float64
}

// device is what measures at a place.
type device struct {
	folder string  // in which the program reads
	file   string  // of which
	watch  int32   // inotify's number of it
	error  float64 // by which it is wrong
	show   func(celsius, percent float64)
}

func newLoft(t *testing.T, site string, begin time.Time) *loft {
	t.Helper()
	harness.Binary(t) // before the clock begins to run
	l := &loft{t: t, zone: begin.Location(), phone: newPhone(t), now: begin, written: map[string][]shown{}, device: map[string]device{}, watches: map[int32]string{}, flicker: 0.02, calibrated: map[string][]time.Time{}}
	l.House = harness.New(t, harness.Options{
		Site: strings.ReplaceAll(site, "PHONE", l.phone.URL), Start: begin, Pace: 1, Timers: 400,
	})
	var err error
	l.notify, err = unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	require.NoError(t, err)
	t.Cleanup(func() { _ = unix.Close(l.notify) })
	return l
}

// install puts a device at a place.
func (l *loft) install(place string, d device) {
	number, err := unix.InotifyAddWatch(l.notify, d.folder, unix.IN_CLOSE_NOWRITE)
	require.NoError(l.t, err)
	d.watch = int32(number)
	l.watches[d.watch], l.device[place] = place, d
}

// pass lets time pass until a moment, in steps after each of which every sensor is read.
func (l *loft) pass(until time.Time) {
	l.t.Helper()
	for l.now.Before(until) {
		next := l.now.Add(step)
		if next.After(until) {
			next = until
		}
		l.Sleep(next.Sub(l.Now()))
		l.now = next
		l.weather()
		l.reads()
		l.settles()
	}
}

// settles waits until the program has judged the readings of now, and sent what follows from them: a message that waits while the clock
// moves on is a fault of its notifier.
func (l *loft) settles() {
	l.t.Helper()
	sensor := "tub-3-probe"
	l.Wait("the readings are judged and all messages sent", func() bool {
		text, err := l.Get("/metrics")
		if err != nil {
			return false
		}
		last, pending := math.Inf(-1), math.Inf(1)
		for line := range strings.Lines(text) {
			name, value, _ := strings.Cut(strings.TrimSpace(line), " ")
			switch name {
			case `dewline_sensor_last_success_timestamp_seconds{sensor="` + sensor + `"}`:
				last, _ = strconv.ParseFloat(value, 64)
			case `dewline_outbox_pending{outlet="webhook"}`:
				pending, _ = strconv.ParseFloat(value, 64)
			}
		}
		return last >= float64(l.now.Unix()) && pending == 0
	})
}

// weather makes the devices show what is at their places now.
func (l *loft) weather() {
	l.flicker = -l.flicker // a sensor that shows the same to the last digit is taken for a broken one
	for place, d := range l.device {
		celsius, percent := climate(place, l.now)
		d.show(celsius+d.error, percent+l.flicker)
		l.written[place] = append(l.written[place], shown{l.now, celsius, percent})
	}
}

// reads waits until the program has read every device since now. A first read may have begun before, so that the air is read twice: a
// fine humidity that has not moved from one step to the next but one is taken for a broken sensor.
func (l *loft) reads() {
	l.t.Helper()
	missing := map[string]int{}
	for place := range l.device {
		missing[place] = 1
	}
	missing["grow-out"] = 2
	l.drain(func(string, string) {})
	left := len(missing)
	for deadline := time.Now().Add(2 * time.Minute); left > 0; {
		require.True(l.t, time.Now().Before(deadline), "waited in vain for reads of %v", missing)
		_, _ = unix.Poll([]unix.PollFd{{Fd: int32(l.notify), Events: unix.POLLIN}}, 1000)
		l.drain(func(place, file string) {
			if l.device[place].file != file {
				return
			}
			if missing[place]--; missing[place] == 0 {
				left--
			}
		})
	}
}

// drain passes on which files of which places were read since it was called last.
func (l *loft) drain(read func(place, file string)) {
	buffer := make([]byte, 64*1024)
	for {
		n, err := unix.Read(l.notify, buffer)
		if err != nil || n <= 0 {
			return
		}
		for rest := buffer[:n]; len(rest) >= unix.SizeofInotifyEvent; { // inotify(7)
			number, size := int32(binary.NativeEndian.Uint32(rest)), int(binary.NativeEndian.Uint32(rest[12:]))
			file := rest[unix.SizeofInotifyEvent : unix.SizeofInotifyEvent+size]
			if place := l.watches[number]; l.device[place].watch == number {
				read(place, string(bytes.TrimRight(file, "\x00")))
			}
			rest = rest[unix.SizeofInotifyEvent+size:]
		}
	}
}

// probe makes a device of a 1-Wire probe that is wrong by an error.
func (l *loft) probe(place string, number int, wrong float64) {
	p := l.Probe(number)
	l.install(place, device{folder: p.Home, file: "w1_slave", error: wrong, show: func(celsius, _ float64) { p.Show(celsius) }})
}

const (
	dht = "sys/devices/platform/dht11@11/iio:device2"
	sht = "sys/devices/platform/soc/fe804000.i2c/i2c-1/1-0044/hwmon/hwmon1"
)

// air makes a device of two files with thousandths.
func (l *loft) air(place, folder, temperature, humidity string, wrong, stepOf float64) {
	folder = filepath.Join(l.Folder, folder)
	write := func(name string, value float64) {
		path := filepath.Join(folder, name)
		require.NoError(l.t, os.WriteFile(path+".new", fmt.Appendf(nil, "%d\n", int(math.Round(math.Round(value/stepOf)*stepOf*1000))), 0o644))
		require.NoError(l.t, os.Rename(path+".new", path))
	}
	l.install(place, device{folder: folder, file: humidity, error: wrong, show: func(celsius, percent float64) {
		write(temperature, celsius)
		write(humidity, percent)
	}})
}

// dewline runs a verb and returns what it prints, on both streams, and its exit code.
func (l *loft) dewline(arguments ...string) (out, problems string, code int) {
	l.t.Helper()
	verb := 1
	if arguments[0] == "cohort" || arguments[0] == "alarm" || arguments[0] == "stage" || arguments[0] == "sensor" {
		verb = 2
	}
	all := append(append(append([]string{}, arguments[:verb]...), "--config", l.Config), arguments[verb:]...)
	command := exec.Command(harness.Binary(l.t), all...)
	var o, e bytes.Buffer
	command.Stdout, command.Stderr = &o, &e
	err := command.Run()
	if _, exited := err.(*exec.ExitError); err != nil && !exited {
		require.NoError(l.t, err)
	}
	return o.String(), e.String(), command.ProcessState.ExitCode()
}

// does runs a verb that must succeed and returns what it prints.
func (l *loft) does(arguments ...string) string {
	l.t.Helper()
	out, problems, code := l.dewline(arguments...)
	require.Zero(l.t, code, "%s\n%s%s", strings.Join(arguments, " "), out, problems)
	return out
}

// taps does what a tap on the page does.
func (l *loft) taps(request map[string]any) string {
	l.t.Helper()
	body, err := json.Marshal(request)
	require.NoError(l.t, err)
	response, err := http.Post("http://"+l.Web+"/api/command", "application/json", bytes.NewReader(body))
	require.NoError(l.t, err)
	defer response.Body.Close()
	var answer struct{ Words string }
	require.Equal(l.t, http.StatusOK, response.StatusCode)
	require.NoError(l.t, json.NewDecoder(response.Body).Decode(&answer))
	return answer.Words
}

// local writes a time as a keeper does.
func (l *loft) local(t time.Time) string { return t.In(l.zone).Format("2006-01-02 15:04") }
