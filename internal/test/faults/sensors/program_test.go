package sensors_test

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/test/harness"
)

func TestMain(m *testing.M) { harness.Main(m) }

const hangingSite = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room, bands: {air-temperature: {low: 20 °C, high: 26 °C, on-delay: 1m}}}
  - {id: tub-1, kind: enclosure, in: loft, bands: {water-temperature: {low: 20 °C, high: 24 °C, on-delay: 1m, off-delay: 1m}}}
sensors:
  - {id: probe, driver: w1, address: 28-00000b3c5d1e, every: 10s, feeds: {temperature: tub-1/water-temperature}}
  - {id: loft-air, driver: hwmon, name: sht4x, every: 10s, feeds: {temperature: loft/air-temperature, humidity: loft/relative-humidity}}
web: {listen: "WEB"}
control: {socket: SOCKET}
`

// The program itself, with a probe whose file never answers, as a 1-Wire bus that is held in the kernel does: a named pipe that
// no process writes. Opening it blocks in a system call that nothing can cancel.
func TestProgramOutlivesABusThatHangs(t *testing.T) {
	h := harness.New(t, harness.Options{Site: hangingSite, Start: time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC), Pace: 10})
	probe := h.Probe(1)
	probe.Show(22)
	program := h.Start()
	const reading = `dewline_reading_celsius{place="tub-1",quantity="water-temperature"}`
	h.Wait("the first reading", func() bool { return h.Metric(reading) == "22" })

	file := filepath.Join(probe.Home, "w1_slave")
	hang := func() {
		require.NoError(t, syscall.Mkfifo(file+".new", 0o644))
		require.NoError(t, os.Rename(file+".new", file))
	}
	const fault, others = "sensor/probe/fault", `dewline_sensor_reads_total{result="ok",sensor="loft-air"}`
	hang()
	h.Wait("the fault", func() bool { return h.Letter(fault) == "B" })
	a := h.Alarm(fault)
	assert.LessOrEqual(t, a.Raised.Sub(a.Since), 2*time.Minute, "within the stale time of the first read that did not come back")
	assert.Contains(t, a.Reason, "has not come back from the kernel")
	h.Wait("the value is absent, not frozen", func() bool { return h.Metric(reading) == "" })
	before := h.Number(others)
	h.Wait("the other sensor goes on", func() bool { return h.Number(others) >= before+10 })
	for _, kind := range []string{"timeout", "busy", "absent", "implausible", "checksum", "unknown"} {
		assert.Equal(t, "0", h.Metric(`dewline_sensor_reads_total{result="`+kind+`",sensor="loft-air"}`), kind)
	}
	assert.Equal(t, "A", h.Letter("loft/air-temperature/high"))
	assert.Equal(t, "H", h.Letter("tub-1/water-temperature/high"), "suppressed by design, and not raised")

	// The kernel lets go: the read that hung returns with nothing, and the probe is read again.
	pipe := file + ".pipe"
	require.NoError(t, os.Rename(file, pipe))
	probe.Show(22.5)
	writer, err := os.OpenFile(pipe, os.O_WRONLY|syscall.O_NONBLOCK, 0)
	require.NoError(t, err, "somebody waits for the pipe")
	require.NoError(t, writer.Close())
	h.Wait("it recovers", func() bool {
		return h.Letter("tub-1/water-temperature/high") == "A" && h.Metric(reading) == "22.5"
	})
	assert.Equal(t, "B", h.Letter(fault), "the fault is over only when the probe has answered for ten minutes")
	assert.Equal(t, "A", h.Letter("tub-1/water-temperature/stale"), "a person was called for the fault, and not for its end")

	// And it can be stopped in good order while a read hangs.
	hang()
	h.Wait("it fails again", func() bool { return h.Letter("tub-1/water-temperature/high") == "H" })
	require.NoError(t, program.Command.Process.Signal(syscall.SIGTERM))
	select {
	case <-program.Done():
		assert.NoError(t, program.Stop())
	case <-time.After(time.Minute):
		t.Error("the program does not stop while a read hangs")
	}
}
