package daemon_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors/kernelfile/kernelfiletest"
)

// probeTree is a copy of the recorded tree whose first probe a test changes while the daemon reads it.
type probeTree struct {
	t    *testing.T
	root string
	home string // folder of the probe
}

const probeROM = "28-00000b3c5d1e"

func newProbeTree(t *testing.T) *probeTree {
	root := kernelfiletest.Copy(t, "../../testdata/sys/north-loft")
	return &probeTree{t, root, filepath.Join(root, "devices/w1_bus_master1", probeROM)}
}

// crc8 is the checksum of 1-Wire devices (Maxim application note 27), written apart from the driver's own.
func crc8(bytes []byte) (crc byte) {
	for _, b := range bytes {
		for range 8 {
			mix := (crc ^ b) & 1
			crc >>= 1
			if mix != 0 {
				crc ^= 0x8c
			}
			b >>= 1
		}
	}
	return crc
}

// show makes the probe read a temperature.
func (p *probeTree) show(celsius float64) {
	raw := int16(math.Round(celsius * 16))
	p.scratchpad([]byte{byte(raw), byte(raw >> 8), 0x4b, 0x46, 0x7f, 0xff, byte(16 - raw&15), 0x10}, celsius)
}

// scratchpad makes the probe hold eight bytes with their right checksum.
func (p *probeTree) scratchpad(bytes []byte, celsius float64) {
	crc := crc8(bytes)
	text := fmt.Sprintf("% 02x %02x : crc=%02x YES\n% 02x %02x t=%d\n", bytes, crc, crc, bytes, crc, int(celsius*1000))
	p.write("w1_slave", text)
	p.write("temperature", fmt.Sprintf("%d\n", int(celsius*1000)))
	p.write("hwmon/hwmon3/temp1_input", fmt.Sprintf("%d\n", int(celsius*1000)))
}

// write replaces a file at one blow, as the kernel's answers are never half new.
func (p *probeTree) write(name, text string) {
	path := filepath.Join(p.home, name)
	require.NoError(p.t, os.WriteFile(path+".new", []byte(text), 0o644))
	require.NoError(p.t, os.Rename(path+".new", path))
}

// away hides the probe's folder, as the kernel does after a while; it returns how to bring it back.
func (p *probeTree) away() (back func()) {
	require.NoError(p.t, os.Rename(p.home, p.home+".away"))
	return func() { require.NoError(p.t, os.Rename(p.home+".away", p.home)) }
}

const (
	probeReading = `dewline_reading_celsius{place="tub-1",quantity="water-temperature"}`
	tubHigh      = "tub-1/water-temperature/high"
	tubCritical  = "tub-1/water-temperature/critical-high"
	probeFault   = "sensor/tub-1-probe/fault"
)

// The daemon on a recorded tree that changes under it: heat is an alarm in time, and nothing else is.
func TestRecordedTreeThatChanges(t *testing.T) {
	const every, onDelay, faultAfter, staleAfter = 10 * time.Second, time.Minute, time.Minute, 2 * time.Minute
	tree := newProbeTree(t)
	tree.show(22.3125)
	r := begin(t, 30, tree.root, plainSite)
	r.wait("the first reading", func() bool { return r.metric(probeReading) == "22.3125" })

	t.Run("power-on value", func(t *testing.T) {
		tree.scratchpad([]byte{0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10}, 85)
		r.wait("a fault", func() bool { return r.letter(probeFault) == "B" })
		assert.NotEqual(t, "85", r.metric(probeReading))
		assert.NotEqual(t, "B", r.letter(tubHigh))
		assert.Contains(t, r.alarm(probeFault).Reason, "85")
		tree.show(22.25)
		r.wait("it recovers", func() bool { return r.letter(probeFault) == "D" && r.metric(probeReading) == "22.25" })
	})
	t.Run("wrong checksum", func(t *testing.T) {
		tree.write("w1_slave", "f0 7f 4b 46 7f ff 0c 10 00 : crc=a5 NO\n50 05 4b 46 7f ff 0c 10 1c t=127937\n")
		tree.write("hwmon/hwmon3/temp1_input", "")
		tree.write("temperature", "")
		r.wait("a fault", func() bool { return r.letter(probeFault) == "B" })
		a := r.alarm(probeFault)
		assert.LessOrEqual(t, a.Raised.Sub(a.Since), faultAfter+every)
		assert.NotEqual(t, "B", r.letter(tubHigh))
		tree.show(22.25)
		r.wait("it recovers", func() bool { return r.letter(probeFault) == "D" })
	})
	t.Run("unplugged", func(t *testing.T) {
		back := tree.away()
		r.wait("a fault", func() bool { return r.letter(probeFault) == "B" })
		a := r.alarm(probeFault)
		assert.LessOrEqual(t, a.Raised.Sub(a.Since), staleAfter, "a fault within the stale time")
		r.wait("the value is absent, not frozen", func() bool { return r.metric(probeReading) == "" })
		assert.Equal(t, "H", r.letter(tubHigh), "suppressed by design, since the probe alone feeds the tub")
		back()
		r.wait("it recovers", func() bool { return r.letter(probeFault) == "D" && r.metric(probeReading) == "22.25" })
	})
	t.Run("heat", func(t *testing.T) {
		require.Equal(t, "A", r.letter(tubHigh), "no false alarm so far")
		require.Equal(t, "A", r.letter(tubCritical))
		tree.show(25)
		r.wait("a heat alarm", func() bool { return r.letter(tubHigh) == "B" })
		a := r.alarm(tubHigh)
		assert.GreaterOrEqual(t, a.Raised.Sub(a.Since), onDelay)
		// One interval plus the on-delay, and a half for the test machine, whose hesitations count thirty times here.
		assert.LessOrEqual(t, a.Raised.Sub(a.Since), onDelay+every+every/2)
		assert.InDelta(t, 24, *a.Setpoint, 1e-9)
		assert.Equal(t, "A", r.letter(tubCritical))
	})
}
