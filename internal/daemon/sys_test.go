package daemon_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors/sensortest/kernelfiletest"
)

// probeTree is a copy of the recorded tree, and its first probe.
type probeTree struct {
	*kernelfiletest.Probe
	root string
}

func newProbeTree(t *testing.T) *probeTree {
	root := kernelfiletest.Copy(t, "../../testdata/sys/north-loft")
	return &probeTree{kernelfiletest.NewProbe(t, root), root}
}

const (
	probeReading = `dewline_reading_celsius{place="tub-1",quantity="water-temperature"}`
	tubHigh      = "tub-1/water-temperature/high"
	tubCritical  = "tub-1/water-temperature/critical-high"
	probeFault   = "sensor/tub-1-probe/fault"
	valueFault   = "sensor/tub-1-probe/temperature/fault"
)

// The daemon on a recorded tree that changes under it: heat is an alarm in time, and nothing else is.
func TestRecordedTreeThatChanges(t *testing.T) {
	const every, onDelay, faultAfter, staleAfter = 10 * time.Second, time.Minute, time.Minute, 2 * time.Minute
	tree := newProbeTree(t)
	tree.Show(22.3125)
	r := begin(t, 30, tree.root, plainSite)
	r.wait("the first reading", func() bool { return r.metric(probeReading) == "22.3125" })

	t.Run("power-on value", func(t *testing.T) {
		tree.Scratchpad([]byte{0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10}, 85)
		r.wait("a fault", func() bool { return r.letter(valueFault) == "B" })
		assert.Equal(t, "A", r.letter(probeFault), "the probe answers")
		assert.NotEqual(t, "85", r.metric(probeReading))
		assert.NotEqual(t, "B", r.letter(tubHigh))
		assert.Contains(t, r.alarm(valueFault).Reason, "85")
		tree.Show(22.25)
		r.wait("it recovers", func() bool { return r.letter(valueFault) == "D" && r.metric(probeReading) == "22.25" })
	})
	t.Run("wrong checksum", func(t *testing.T) {
		tree.Write("w1_slave", "f0 7f 4b 46 7f ff 0c 10 00 : crc=a5 NO\n50 05 4b 46 7f ff 0c 10 1c t=127937\n")
		tree.Write("hwmon/hwmon3/temp1_input", "")
		tree.Write("temperature", "")
		r.wait("a fault", func() bool { return r.letter(probeFault) == "B" })
		a := r.alarm(probeFault)
		assert.LessOrEqual(t, a.Raised.Sub(a.Since), faultAfter+every)
		assert.NotEqual(t, "B", r.letter(tubHigh))
		tree.Show(22.25)
		r.wait("it recovers", func() bool { return r.letter(probeFault) == "D" })
	})
	t.Run("unplugged", func(t *testing.T) {
		back := tree.Away()
		r.wait("a fault", func() bool { return r.letter(probeFault) == "B" })
		a := r.alarm(probeFault)
		assert.LessOrEqual(t, a.Raised.Sub(a.Since), staleAfter, "a fault within the stale time")
		r.wait("the value is absent, not frozen", func() bool { return r.metric(probeReading) == "" })
		assert.Equal(t, "H", r.letter(tubHigh), "suppressed by design, since the probe alone feeds the tub")
		back()
		r.wait("it recovers", func() bool { return r.letter(probeFault) == "D" && r.metric(probeReading) == "22.25" })
		assert.Equal(t, "A", r.letter("tub-1/water-temperature/stale"), "nobody is called for a stale point when it is over")
	})
	t.Run("heat", func(t *testing.T) {
		require.Equal(t, "A", r.letter(tubHigh), "no false alarm so far")
		require.Equal(t, "A", r.letter(tubCritical))
		tree.Show(25)
		r.wait("a heat alarm", func() bool { return r.letter(tubHigh) == "B" })
		a := r.alarm(tubHigh)
		assert.GreaterOrEqual(t, a.Raised.Sub(a.Since), onDelay)
		// One interval plus the on-delay, and a half for the test machine, whose pauses count thirty times here.
		assert.LessOrEqual(t, a.Raised.Sub(a.Since), onDelay+every+every/2)
		assert.InDelta(t, 24, *a.Setpoint, 1e-9)
		assert.Equal(t, "A", r.letter(tubCritical))
	})
}
