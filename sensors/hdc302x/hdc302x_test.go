package hdc302x

import (
	"context"
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

// hdc is an HDC302x: it measures once a second after the start command, gives each measurement out once, and
// acknowledges no reading otherwise.
type hdc struct {
	mu      sync.Mutex
	maker   uint16
	t, rh   uint16
	status  uint16
	started time.Time // zero: idle
	given   time.Time // of the measurement given out last
}

func newChip() *hdc {
	c := &hdc{maker: maker, t: 0x62BE, rh: 0xCCCC} // 22.5 °C, 80 %
	c.Reset()
	return c
}

func (c *hdc) Reset() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.status, c.started, c.given = 0x0010, time.Time{}, time.Time{}
}

func (c *hdc) Exchange(w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(w) != 2 {
		return sensortest.NoAcknowledge
	}
	switch uint16(w[0])<<8 | uint16(w[1]) {
	case 0x2130:
		if !c.started.IsZero() {
			return sensortest.NoAcknowledge
		}
		c.started = time.Now()
	case 0x3093:
		if c.started.IsZero() {
			return sensortest.NoAcknowledge
		}
		c.started = time.Time{}
	case 0x3781:
		copy(r, frame(c.maker))
	case 0xF32D:
		copy(r, frame(c.status))
	case 0x3041:
		c.status = 0
	case 0xE000:
		newest := c.started.Add(time.Since(c.started).Truncate(time.Second))
		if c.started.IsZero() || !newest.After(c.started) || !newest.After(c.given) {
			return sensortest.NoAcknowledge
		}
		c.given = newest
		copy(r, frame(c.t, c.rh))
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
	const address = 0x44
	sensortest.Run(t, sensortest.Rig{
		Timeout:   5 * time.Second,
		ResetSeen: true,
		Exempt: map[sensortest.Fault]string{
			sensortest.Implausible: "every humidity word is a possible value; temperature is tried in TestRange",
		},
		Open: func(t *testing.T) sensortest.Bench {
			bus := sensortest.NewBus("fake")
			bus.Attach(address, newChip())
			sensor, err := New(bus, Options{Address: address})
			require.NoError(t, err)
			return sensortest.Bench{
				Sensor: sensor,
				Want:   map[sensors.Channel]float64{sensors.Temperature: 22.5, sensors.Humidity: 80},
				Heal:   bus.Heal,
				Absent: func() { bus.Unplug(address) },
				Silent: bus.Block,
				Slow:   bus.Delay,
				Garbled: append(sensortest.Flips(48, func(bit int) { bus.Flip(6, bit) }),
					sensortest.Flips(24, func(bit int) { bus.Flip(3, bit) })...),
				Reset:       func() { bus.Power(address) },
				ResetMidway: func() { bus.ResetAt(2, address) },
				FailAt:      bus.FailAt,
			}
		},
	})
}

// Measured words of a real part, from the recordings in the tests of the periph driver.
func TestMeasuredWords(t *testing.T) {
	for _, c := range []struct {
		answer           []byte
		celsius, percent float64
	}{
		{[]byte{0x68, 0xc5, 0x51, 0x3b, 0x82, 0x31}, 26.621, 23.24},
		{[]byte{0x64, 0x93, 0x3d, 0x45, 0x3a, 0x61}, 23.754, 27.04},
		{[]byte{0x70, 0xe0, 0x7b, 0x3f, 0xf7, 0xbf}, 32.163, 24.99},
	} {
		synctest.Test(t, func(t *testing.T) {
			bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
				{Addr: 0x44, W: []byte{0x30, 0x93}},
				{Addr: 0x44, W: []byte{0x37, 0x81}, R: []byte{0x30, 0x00, 0x33}},
				{Addr: 0x44, W: []byte{0x21, 0x30}},
				{Addr: 0x44, W: []byte{0xf3, 0x2d}, R: []byte{0x80, 0x10, 0xe1}},
				{Addr: 0x44, W: []byte{0x30, 0x41}},
				{Addr: 0x44, W: []byte{0xe0, 0x00}, R: c.answer},
				{Addr: 0x44, W: []byte{0xf3, 0x2d}, R: []byte{0x00, 0x00, 0x81}},
				{Addr: 0x44, W: []byte{0x30, 0x41}},
			}}
			sensor, err := New(bus, Options{})
			require.NoError(t, err)
			reading, err := sensor.Read(t.Context())
			require.NoError(t, err)
			require.NoError(t, bus.Close())
			celsius, _ := reading.Measured(sensors.Temperature)
			percent, _ := reading.Measured(sensors.Humidity)
			require.InDelta(t, c.celsius, celsius.Value, 0.002)
			require.InDelta(t, c.percent, percent.Value, 0.01)
			require.Equal(t, uint64(c.answer[0])<<8|uint64(c.answer[1]), celsius.Raw)
			require.Equal(t, c.answer, reading.Evidence)
			require.True(t, reading.First)
			require.False(t, reading.Reset, "the power-on before the first read is no reset")
			require.False(t, reading.Heated)
		})
	}
}

func TestHeaterShows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, c := sensortest.NewBus("fake"), newChip()
		bus.Attach(0x44, c)
		sensor, err := New(bus, Options{})
		require.NoError(t, err)
		_, err = sensor.Read(t.Context())
		require.NoError(t, err)
		c.status = 0x2000
		reading, err := sensor.Read(t.Context())
		require.NoError(t, err)
		require.True(t, reading.Heated)
	})
}

func TestRange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, c := sensortest.NewBus("fake"), newChip()
		c.t = 0x0000 // −45 °C, below the part's −40
		bus.Attach(0x44, c)
		sensor, err := New(bus, Options{})
		require.NoError(t, err)
		reading, err := sensor.Read(t.Context())
		require.Equal(t, sensors.Implausible, sensors.KindOf(err))
		require.NotEmpty(t, reading.Evidence)
		c.t = 0x62BE
		_, err = sensor.Read(t.Context())
		require.NoError(t, err)
	})
}

// An SHT3x answers at the same address; it must not be read by this driver's formulas.
func TestAnotherPartIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus, c := sensortest.NewBus("fake"), newChip()
		c.maker = 0x1234
		bus.Attach(0x44, c)
		sensor, err := New(bus, Options{})
		require.NoError(t, err)
		_, err = sensor.Read(t.Context())
		require.ErrorContains(t, err, "another part answers")
		require.Equal(t, sensors.Implausible, sensors.KindOf(err))
	})
}

func TestReadInQuickSuccessionWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		bus.Attach(0x44, newChip())
		sensor, err := New(bus, Options{})
		require.NoError(t, err)
		for range 20 {
			_, err := sensor.Read(t.Context())
			require.NoError(t, err)
		}
		hasty, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
		defer cancel()
		_, err = sensor.Read(hasty)
		require.Equal(t, sensors.Timeout, sensors.KindOf(err))
	})
}

func TestAddress(t *testing.T) {
	for _, address := range []uint16{0x43, 0x48} {
		_, err := New(sensortest.NewBus("fake"), Options{Address: address})
		require.ErrorContains(t, err, "0x44 to 0x47")
	}
}
