package scd4x

import (
	"context"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors"
	"dewline/sensors/internal/chip"
	"dewline/sensors/sensortest"
)

// scd is an SCD4x: it measures every 5 s once started, gives a measurement out once, takes commands only in the state
// that allows them, and answers a command no sooner than a millisecond after it.
type scd struct {
	mu      sync.Mutex
	words   []uint16
	started time.Time // zero: idle
	given   time.Time // of the measurement given out last
	busy    time.Time // until then it stops
	offset  []byte
	asked   uint16
	at      time.Time
}

func newSCD() *scd {
	c := &scd{words: []uint16{800, 0x62BE, 0xCCCC}} // 800 ppm, 22.5 °C, 80 %
	c.Reset()
	return c
}

func (c *scd) Reset() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.started, c.given, c.busy, c.offset, c.asked = time.Time{}, time.Time{}, time.Time{}, nil, 0
}

func (c *scd) Exchange(w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if time.Now().Before(c.busy) {
		return sensortest.NoAcknowledge
	}
	if len(w) >= 2 {
		c.asked, c.at = uint16(w[0])<<8|uint16(w[1]), time.Now()
		if len(r) > 0 {
			return sensortest.NoAcknowledge // the pause is missing
		}
		return c.command(w[2:])
	}
	if time.Since(c.at) < time.Millisecond {
		return sensortest.NoAcknowledge
	}
	return c.answer(r)
}

func (c *scd) command(parameters []byte) error {
	switch idle := c.started.IsZero(); {
	case c.asked == cmdStart && idle:
		c.started = time.Now()
	case c.asked == cmdStop:
		c.started, c.given, c.busy = time.Time{}, time.Time{}, time.Now().Add(500*time.Millisecond)
	case c.asked == cmdSetOffset && idle:
		c.offset = append([]byte(nil), parameters...)
	case c.asked == cmdSerial && idle, c.asked == cmdReady, c.asked == cmdMeasured && !idle:
	default:
		return sensortest.NoAcknowledge
	}
	return nil
}

func (c *scd) answer(r []byte) error {
	newest := c.started.Add(time.Since(c.started).Truncate(5 * time.Second))
	ready := !c.started.IsZero() && newest.After(c.started) && newest.After(c.given)
	switch {
	case c.asked == cmdSerial:
		copy(r, frame(0x73B1, 0xEB07, 0x3B0C))
	case c.asked == cmdReady && ready:
		copy(r, frame(0x8006))
	case c.asked == cmdReady:
		copy(r, frame(0x8000))
	case c.asked == cmdMeasured && ready:
		c.given = newest
		copy(r, frame(c.words...))
	default:
		return sensortest.NoAcknowledge
	}
	return nil
}

func frame(w ...uint16) []byte {
	var b []byte
	for _, x := range w {
		high, low := byte(x>>8), byte(x)
		b = append(b, high, low, chip.CRC8(crcInitial, high, low))
	}
	return b
}

func TestConformance(t *testing.T) {
	sensortest.Run(t, sensortest.Rig{
		Timeout:   8 * time.Second,
		ResetSeen: true,
		Open: func(t *testing.T) sensortest.Bench {
			bus := sensortest.NewBus("fake")
			bus.Attach(Address, newSCD())
			sensor, err := New(bus, Options{})
			require.NoError(t, err)
			measured := func(w ...uint16) func() {
				return func() {
					bus.Garble(func(io i2ctest.IO) {
						if len(io.R) == 9 && io.R[0] != 0x73 {
							copy(io.R, frame(w...))
						}
					})
				}
			}
			return sensortest.Bench{
				Sensor: sensor,
				Want:   map[sensors.Channel]float64{sensors.CO2: 800, sensors.Temperature: 22.5, sensors.Humidity: 80},
				Heal:   bus.Heal,
				Absent: func() { bus.Unplug(Address) },
				Silent: bus.Block,
				Slow:   bus.Delay,
				Garbled: append(sensortest.Flips(72, func(bit int) { bus.Flip(9, bit) }),
					sensortest.Flips(24, func(bit int) { bus.Flip(3, bit) })...),
				Implausible: map[string]func(){
					"no carbon dioxide":  measured(0, 0x62BE, 0xCCCC),
					"above 40000 ppm":    measured(50000, 0x62BE, 0xCCCC),
					"below −10 °C":       measured(800, 0x3000, 0xCCCC),
					"above 60 °C":        measured(800, 0xA000, 0xCCCC),
					"all ones, good CRC": measured(0xFFFF, 0xFFFF, 0xFFFF),
				},
				Reset:       func() { bus.Power(Address) },
				ResetMidway: func() { bus.ResetAt(3, Address) },
				FailAt:      bus.FailAt,
			}
		},
	})
}

// Measured answers of a real part, from the recordings in the tests of the periph driver.
func TestMeasuredWords(t *testing.T) {
	for _, c := range []struct {
		answer                []byte
		ppm, celsius, percent float64
	}{
		{[]byte{0x2, 0x2c, 0xa3, 0x67, 0xd, 0x36, 0x4d, 0x8, 0xf1}, 556, 25.445, 30.09},
		{[]byte{0x2, 0x1f, 0x35, 0x65, 0x82, 0xbb, 0x53, 0x5e, 0x2a}, 543, 24.391, 32.57},
		{[]byte{0x2, 0x1f, 0x35, 0x64, 0x46, 0xcc, 0x5a, 0x8d, 0xbe}, 543, 23.547, 35.37},
	} {
		synctest.Test(t, func(t *testing.T) {
			bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
				{Addr: 0x62, W: []byte{0x3f, 0x86}},
				{Addr: 0x62, W: []byte{0x36, 0x82}},
				{Addr: 0x62, R: []byte{0x73, 0xb1, 0x19, 0xeb, 0x7, 0x7a, 0x3b, 0xc, 0x54}},
				{Addr: 0x62, W: []byte{0x21, 0xb1}},
				{Addr: 0x62, W: []byte{0xe4, 0xb8}},
				{Addr: 0x62, R: []byte{0x80, 0x0, 0xa2}}, // not ready
				{Addr: 0x62, W: []byte{0xe4, 0xb8}},
				{Addr: 0x62, R: []byte{0x80, 0x6, 0x4}},
				{Addr: 0x62, W: []byte{0xec, 0x5}},
				{Addr: 0x62, R: c.answer},
			}}
			sensor, err := New(bus, Options{})
			require.NoError(t, err)
			reading, err := sensor.Read(t.Context())
			require.NoError(t, err)
			require.NoError(t, bus.Close())
			ppm, _ := reading.Measured(sensors.CO2)
			celsius, _ := reading.Measured(sensors.Temperature)
			percent, _ := reading.Measured(sensors.Humidity)
			require.Equal(t, c.ppm, ppm.Value)
			require.InDelta(t, c.celsius, celsius.Value, 0.002)
			require.InDelta(t, c.percent, percent.Value, 0.01)
			require.Equal(t, c.answer, reading.Evidence)
		})
	}
}

// A caller in a hurry gets Busy at once, and the part measures on undisturbed.
func TestNotReadyYet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		bus.Attach(Address, newSCD())
		sensor, err := New(bus, Options{})
		require.NoError(t, err)
		start := time.Now()
		var kinds []sensors.Kind
		var reading sensors.Measurement
		for range 6 {
			ctx, cancel := context.WithTimeout(t.Context(), 1500*time.Millisecond)
			reading, err = sensor.Read(ctx)
			cancel()
			if err == nil {
				break
			}
			kinds = append(kinds, sensors.KindOf(err))
			time.Sleep(time.Second)
		}
		require.NoError(t, err)
		require.NotEmpty(t, kinds)
		for _, kind := range kinds {
			require.Equal(t, sensors.Busy, kind)
		}
		require.True(t, reading.First)
		require.Less(t, time.Since(start), 7*time.Second)
		starts := 0
		for _, io := range bus.Log() {
			if len(io.W) == 2 && io.W[0] == 0x21 {
				starts++
			}
		}
		require.Equal(t, 1, starts)
	})
}

// 5 K is the word 0750; the periph driver writes 77BE.
func TestTemperatureOffset(t *testing.T) {
	require.Equal(t, []byte{0x24, 0x1d, 0x07, 0x50}, offsetCommand(5)[:4])
	require.Equal(t, []byte{0x24, 0x1d, 0x05, 0xda, 0x29}, offsetCommand(4.0), "as delivered; checksum of the recorded answer")
	synctest.Test(t, func(t *testing.T) {
		bus, c := sensortest.NewBus("fake"), newSCD()
		bus.Attach(Address, c)
		sensor, err := New(bus, Options{TemperatureOffset: new(5.0)})
		require.NoError(t, err)
		_, err = sensor.Read(t.Context())
		require.NoError(t, err)
		require.Equal(t, offsetCommand(5)[2:], c.offset)
	})
	for _, wrong := range []float64{-0.1, 20.1, math.NaN(), math.Inf(1)} {
		_, err := New(sensortest.NewBus("fake"), Options{TemperatureOffset: &wrong})
		require.ErrorContains(t, err, "want 0 to 20 K")
	}
}

func TestIdentify(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		_, err := Identify(t.Context(), bus)
		require.Equal(t, sensors.Absent, sensors.KindOf(err))
		part := newSCD()
		bus.Attach(Address, part)
		for range 2 {
			is, err := Identify(t.Context(), bus)
			require.NoError(t, err)
			require.True(t, is)
			part.started = time.Now() // once more while it measures
		}
		bus.Attach(Address, sensortest.Func{Answer: func(_, r []byte) error { clear(r); return nil }})
		is, err := Identify(t.Context(), bus)
		require.NoError(t, err)
		require.False(t, is)
	})
}
