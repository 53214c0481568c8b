package ds248x

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/conn/v3/onewire/onewiretest"

	"dewline/sensors"
	"dewline/sensors/internal/scratchpad"
	"dewline/sensors/sensortest"
)

const (
	tub   = "28-00000a2794bf" // invented
	clone = "28-0316a2794bff" // invented
)

// 25.0625 °C, computed; see the tests of package scratchpad.
var truth = []byte{0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0x25}

func TestConformance(t *testing.T) {
	const address = 0x1A // one that the periph driver refuses
	sensortest.Run(t, sensortest.Rig{
		Open: func(t *testing.T) sensortest.Bench {
			bus := sensortest.NewBus("fake")
			chip := newMaster(newProbe(tub, truth...), newProbe(clone, truth...))
			bus.Attach(address, chip)
			master, err := New(bus, Options{Address: address})
			require.NoError(t, err)
			probe, err := master.Probe(ProbeOptions{ROM: tub})
			require.NoError(t, err)
			pad := func(answer ...byte) func() {
				return func() { garbleData(bus, func(i int, _ byte) byte { return answer[i] }) }
			}
			return sensortest.Bench{
				Sensor: probe,
				Want:   map[sensors.Channel]float64{sensors.Temperature: 25.0625},
				Heal:   bus.Heal,
				Absent: func() { bus.Unplug(address) },
				Silent: bus.Block,
				Slow:   bus.Delay,
				Garbled: sensortest.Flips(72, func(bit int) {
					garbleData(bus, func(i int, b byte) byte {
						if i == bit/8 {
							b ^= 0x80 >> (bit % 8)
						}
						return b
					})
				}),
				Implausible: map[string]func(){
					"power-on value":        pad(powerOn...),
					"nine zeros":            pad(0, 0, 0, 0, 0, 0, 0, 0, 0),
					"broken-off conversion": pad(withCRC(0xFF, 0x07, 0x4B, 0x46, 0x7F, 0xFF, 0x01, 0x10)...),
					"no such setting":       pad(withCRC(0x91, 0x01, 0x4B, 0x46, 0xFF, 0xFF, 0x0F, 0x10)...),
					"another chip": func() {
						bus.Garble(func(io i2ctest.IO) {
							for i := range io.R {
								io.R[i] = 0x54
							}
						})
					},
				},
				Reset:       func() { bus.Power(address) },
				ResetMidway: func() { bus.ResetAt(24, address) }, // after the conversion was started
				FailAt:      bus.FailAt,
			}
		},
	})
}

func withCRC(b ...byte) []byte { return append(b, scratchpad.CRC8(b)) }

// garbleData alters the data bytes, and leaves the registers of the master alone; i counts within the nine.
func garbleData(bus *sensortest.Bus, alter func(i int, b byte) byte) {
	i := 0
	bus.Garble(func(io i2ctest.IO) {
		if bytes.Equal(io.W, []byte{cmdReadPointer, registerData}) {
			io.R[0] = alter(i%9, io.R[0])
			i++
		}
	})
}

// The exchange with a probe, byte for byte, against recordings in the form of the DS18B20 data sheet's examples.
func TestMeasureProbe(t *testing.T) {
	for _, c := range []struct {
		pad     []byte
		celsius float64
		kind    sensors.Kind
	}{
		{pad: truth, celsius: 25.0625},
		{pad: []byte{0x50, 0x05, 0x4B, 0x46, 0x7F, 0xFF, 0x10, 0x10, 0xBD}, celsius: 85},
		{pad: []byte{0x5E, 0xFF, 0x4B, 0x46, 0x7F, 0xFF, 0x02, 0x10, 0xB6}, celsius: -10.125},
		{pad: []byte{0x00, 0x00, 0x4B, 0x46, 0x7F, 0xFF, 0x10, 0x10, 0x69}, celsius: 0},
		{pad: powerOn, kind: sensors.Implausible},
		{pad: make([]byte, 9), kind: sensors.Implausible},
		{pad: bytes.Repeat([]byte{0xFF}, 9), kind: sensors.Absent},
		{pad: []byte{0x92, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0x25}, kind: sensors.Checksum},
	} {
		synctest.Test(t, func(t *testing.T) {
			rom, err := scratchpad.ParseROM(tub)
			require.NoError(t, err)
			code := rom.Bytes()
			bus := &onewiretest.Playback{DontPanic: true, Ops: []onewiretest.IO{
				{W: append(append([]byte{0x55}, code[:]...), 0x44), Pull: onewire.StrongPullup},
				{W: append(append([]byte{0x55}, code[:]...), 0xBE), R: c.pad},
			}}
			start := time.Now()
			reading, err := measureProbe(t.Context(), bus, rom)
			require.NoError(t, bus.Close())
			require.Equal(t, c.pad, reading.Evidence)
			require.Equal(t, conversion, time.Since(start), "nothing may touch the line while a probe converts")
			if c.kind != sensors.Unknown {
				require.Equal(t, c.kind, sensors.KindOf(err), "%v", err)
				require.Empty(t, reading.Values)
				return
			}
			require.NoError(t, err)
			got, _ := reading.Measured(sensors.Temperature)
			require.Equal(t, c.celsius, got.Value)
		})
	}
}

func TestProbesWithoutSupplyTakeTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		a, b := newProbe(tub, truth...), newProbe(clone, withCRC(0x5E, 0xFF, 0x4B, 0x46, 0x7F, 0xFF, 0x02, 0x10)...)
		a.parasitic, b.parasitic = true, true
		bus.Attach(0x18, newMaster(a, b))
		master, err := New(bus, Options{})
		require.NoError(t, err)
		got := make(chan float64, 2)
		for _, rom := range []string{tub, clone} {
			probe, err := master.Probe(ProbeOptions{ROM: rom})
			require.NoError(t, err)
			go func() {
				reading, err := probe.Read(t.Context())
				if err != nil {
					t.Error(err)
				}
				value, _ := reading.Measured(sensors.Temperature)
				got <- value.Value
			}()
		}
		require.ElementsMatch(t, []float64{25.0625, -10.125}, []float64{<-got, <-got})
		require.Zero(t, a.copied+b.copied, "the EEPROM must not be written")
	})
}

func TestSearch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		chip := newMaster()
		chip.eight = true
		third := []string{tub, clone, "28-000000000001", "10-000000000001", "28-ffffffffffff"}
		for _, rom := range third {
			chip.lines[3] = append(chip.lines[3], newProbe(rom, truth...))
		}
		chip.lines[7] = []*fakeProbe{newProbe(tub, truth...)}
		bus.Attach(0x18, chip)
		master, err := New(bus, Options{Lines: 8})
		require.NoError(t, err)

		found, err := master.Search(t.Context(), 3)
		require.NoError(t, err)
		require.ElementsMatch(t, third, found)

		found, err = master.Search(t.Context(), 7)
		require.NoError(t, err)
		require.Equal(t, []string{tub}, found)

		found, err = master.Search(t.Context(), 0)
		require.Empty(t, found)
		require.Equal(t, sensors.Absent, sensors.KindOf(err))

		probe, err := master.Probe(ProbeOptions{ROM: clone, Line: 3})
		require.NoError(t, err)
		reading, err := probe.Read(t.Context())
		require.NoError(t, err)
		require.True(t, reading.First)
		require.Equal(t, "fake 0x18 line 3 "+clone, probe.Describe().Where)

		chip.shorted = true
		_, err = master.Search(t.Context(), 3)
		require.ErrorContains(t, err, "shorted")
		require.Equal(t, sensors.Absent, sensors.KindOf(err))
	})
}

// A shorted line at the start is the line's fault, not a wrong chip; and a probe that is gone does not stop the others.
func TestFaultsOfTheLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		chip := newMaster(newProbe(tub, truth...))
		chip.shorted = true
		bus.Attach(0x18, chip)
		master, err := New(bus, Options{})
		require.NoError(t, err)
		here, err := master.Probe(ProbeOptions{ROM: tub})
		require.NoError(t, err)
		gone, err := master.Probe(ProbeOptions{ROM: clone})
		require.NoError(t, err)

		_, err = here.Read(t.Context())
		require.ErrorContains(t, err, "shorted")
		chip.shorted = false
		_, err = here.Read(t.Context())
		require.NoError(t, err)

		_, err = gone.Read(t.Context())
		require.Equal(t, sensors.Absent, sensors.KindOf(err), "%v", err)
		_, err = here.Read(t.Context())
		require.NoError(t, err)

		chip.mute = true
		_, err = here.Read(t.Context())
		require.Equal(t, sensors.Implausible, sensors.KindOf(err), "%v", err) // busy right after its reset
		chip.mute = false
		_, err = here.Read(t.Context())
		require.NoError(t, err)
	})
}

// While one probe hangs in the kernel, its neighbours report so in time and do not pile up behind it.
func TestHungBusHoldsAllProbes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		bus.Attach(0x18, newMaster(newProbe(tub, truth...), newProbe(clone, truth...)))
		master, err := New(bus, Options{})
		require.NoError(t, err)
		a, err := master.Probe(ProbeOptions{ROM: tub})
		require.NoError(t, err)
		b, err := master.Probe(ProbeOptions{ROM: clone})
		require.NoError(t, err)
		bus.Block()
		for _, probe := range []sensors.Sensor{a, b, a} {
			ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
			_, err := probe.Read(ctx)
			cancel()
			require.Equal(t, sensors.Timeout, sensors.KindOf(err))
		}
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		_, err = master.Search(ctx, 0)
		cancel()
		require.Equal(t, sensors.Timeout, sensors.KindOf(err))
		bus.Heal()
		for _, probe := range []sensors.Sensor{b, a} {
			_, err := probe.Read(t.Context())
			require.NoError(t, err)
		}
	})
}

// Start and choice of a line, byte for byte as in the tests of the periph driver; the shorted line (status 10 in place of 18)
// is what that driver takes for a wrong chip.
func TestStart(t *testing.T) {
	for _, status := range []byte{0x18, 0x10} {
		bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
			{Addr: 0x1A, W: []byte{0xf0}},
			{Addr: 0x1A, W: []byte{0xe1, 0xf0}, R: []byte{status}},
			{Addr: 0x1A, W: []byte{0xd2, 0xe1}, R: []byte{0x1}},
			{Addr: 0x1A, W: []byte{0xc3, 0xe1}},
			{Addr: 0x1A, W: []byte{0xe1, 0xd2}, R: []byte{0xb1}},
		}}
		l := line{ctx: t.Context(), bus: bus, address: 0x1A}
		require.NoError(t, l.setUp())
		require.NoError(t, l.selectLine(1))
		require.NoError(t, bus.Close())
	}
	for name, answers := range map[string][2]byte{"no reset": {0x08, 0x01}, "busy": {0x19, 0x01}, "other settings": {0x18, 0x05}} {
		bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
			{Addr: 0x18, W: []byte{0xf0}},
			{Addr: 0x18, W: []byte{0xe1, 0xf0}, R: answers[:1]},
			{Addr: 0x18, W: []byte{0xd2, 0xe1}, R: answers[1:]},
		}}
		err := line{ctx: t.Context(), bus: bus, address: 0x18}.setUp()
		require.Equal(t, sensors.Implausible, sensors.KindOf(err), name)
	}
}

func TestDescribeDistinguishesClones(t *testing.T) {
	master, err := New(sensortest.NewBus("fake"), Options{})
	require.NoError(t, err)
	for rom, want := range map[string]float64{tub: 0.5, clone: 2} {
		probe, err := master.Probe(ProbeOptions{ROM: rom})
		require.NoError(t, err)
		d := probe.Describe()
		require.Equal(t, "DS18B20", d.Part)
		require.Equal(t, want, d.Measures[0].Accuracy)
		require.Equal(t, rom == clone, len(d.Notes) == 1 && d.Notes[0] == "a copy of the original part: check it in ice water first")
	}
}

func TestWrongUse(t *testing.T) {
	bus := sensortest.NewBus("fake")
	for _, o := range []Options{{Address: 0x17}, {Address: 0x20}, {Lines: 2}, {Lines: -1}} {
		_, err := New(bus, o)
		require.Error(t, err, "%+v", o)
	}
	_, err := New(nil, Options{})
	require.ErrorContains(t, err, "no bus given")
	master, err := New(bus, Options{Address: 0x1B})
	require.NoError(t, err)
	for _, o := range []ProbeOptions{{}, {ROM: "28-zz16a2794bff"}, {ROM: "01-0316a2794bff"}, {ROM: tub, Line: 1}, {ROM: tub, Line: -1}} {
		_, err := master.Probe(o)
		require.Error(t, err, "%+v", o)
	}
	_, err = master.Search(t.Context(), 8)
	require.ErrorContains(t, err, "line 8")
}

// The eight select codes and what the part shows are those of the periph driver.
func TestLineCodes(t *testing.T) {
	require.Equal(t, "f0e1d2c3b4a59687", fmt.Sprintf("%x", lineCodes))
	require.Equal(t, "b8b1aaa39c958e87", fmt.Sprintf("%x", lineShown))
	require.EqualValues(t, 0xE1, configActive)
	require.EqualValues(t, 0xA5, configStrongNext)
}

func TestIdentify(t *testing.T) {
	bus := sensortest.NewBus("fake")
	for name, shorted := range map[string]bool{"idle line": false, "shorted line": true} {
		chip := newMaster()
		chip.shorted = shorted
		bus.Attach(0x1B, chip)
		is, err := Identify(t.Context(), bus, 0x1B)
		require.NoError(t, err, name)
		require.True(t, is, name)
	}
	bus.Attach(0x1C, sensortest.Func{Answer: func(_, r []byte) error {
		for i := range r {
			r[i] = 0x54
		}
		return nil
	}})
	is, err := Identify(t.Context(), bus, 0x1C)
	require.NoError(t, err)
	require.False(t, is)
	_, err = Identify(t.Context(), bus, 0x1D)
	require.Equal(t, sensors.Absent, sensors.KindOf(err))
}
