package tmp102

import (
	"context"
	"fmt"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors"
	"dewline/sensors/sensortest"
)

// simulated is a TMP102 by its data sheet: a pointer register, a temperature that stays zero until the first conversion, and a
// configuration that falls back at power-on.
type simulated struct {
	mu            sync.Mutex
	pointer       byte
	configuration uint16
	word          uint16
	poweredOn     time.Time
}

func newSimulated(word uint16) *simulated {
	c := &simulated{word: word}
	c.Reset()
	return c
}

func (c *simulated) Reset() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.pointer, c.configuration, c.poweredOn = 0, 0x60A0, time.Now()
}

func (c *simulated) Exchange(w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(w) > 0 {
		c.pointer = w[0]
	}
	if len(w) == 3 && c.pointer == 1 {
		c.configuration = 0x6000 | (uint16(w[1])<<8|uint16(w[2]))&0x9FF0
	}
	var word uint16
	switch {
	case c.pointer == 1:
		word = c.configuration
	case c.pointer == 0 && time.Since(c.poweredOn) >= 26*time.Millisecond:
		word = c.word
	}
	for i := range r {
		r[i] = byte(word >> (8 * (1 - i%2)))
	}
	return nil
}

func TestConformance(t *testing.T) {
	const address = 0x48
	sensortest.Run(t, sensortest.Rig{
		NoChecksum: true,
		ResetSeen:  true,
		Open: func(t *testing.T) sensortest.Bench {
			bus := sensortest.NewBus("fake")
			c := newSimulated(0x1680) // 22.5 °C
			bus.Attach(address, c)
			sensor, err := New(bus, Options{Address: address})
			require.NoError(t, err)
			answer := func(word uint16) func() {
				return func() {
					bus.Garble(func(io i2ctest.IO) {
						if len(io.R) == 2 && io.W[0] == 0 {
							io.R[0], io.R[1] = byte(word>>8), byte(word)
						}
					})
				}
			}
			return sensortest.Bench{
				Sensor:  sensor,
				Want:    map[sensors.Channel]float64{sensors.Temperature: 22.5},
				Heal:    bus.Heal,
				Absent:  func() { bus.Unplug(address) },
				Silent:  bus.Block,
				Slow:    bus.Delay,
				Garbled: sensortest.Flips(16, func(bit int) { bus.Flip(2, bit) }),
				Implausible: map[string]func(){
					"idle bus":        answer(0xFFFF),
					"highest code":    answer(0x7FF0), // 127.9375 °C
					"below the range": answer(0xC900), // −55 °C
				},
				Reset:       func() { bus.Power(address) },
				ResetMidway: func() { bus.ResetAt(2, address) },
				FailAt:      bus.FailAt,
			}
		},
	})
}

// Codes of the TMP102 data sheet's temperature table, through the whole driver.
func TestCodes(t *testing.T) {
	for _, c := range []struct {
		word    uint16
		celsius float64
	}{{0x1900, 25}, {0x0040, 0.25}, {0x0000, 0}, {0xFFC0, -0.25}, {0xE700, -25}, {0x5000, 80}, {0x7D00, 125}} {
		t.Run(fmt.Sprintf("%04x", c.word), func(t *testing.T) {
			bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
				{Addr: 0x49, W: []byte{1}, R: []byte{0x60, 0xA0}},
				{Addr: 0x49, W: []byte{1, 0x60, 0x40}},
				{Addr: 0x49, W: []byte{0}, R: []byte{byte(c.word >> 8), byte(c.word)}},
				{Addr: 0x49, W: []byte{1}, R: []byte{0x60, 0x60}}, // with the alert bit
			}}
			sensor, err := New(bus, Options{Address: 0x49})
			require.NoError(t, err)
			reading, err := sensor.Read(t.Context())
			require.NoError(t, err)
			require.NoError(t, bus.Close())
			got, ok := reading.Measured(sensors.Temperature)
			require.True(t, ok)
			require.InDelta(t, c.celsius, got.Value, 1e-9)
			require.Equal(t, uint64(c.word), got.Raw)
			require.True(t, reading.First)
			require.False(t, reading.Reset)
		})
	}
}

// What the kernel said must reach the caller.
func TestBusErrorKeepsItsErrno(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		bus.Attach(0x48, newSimulated(0x1680))
		sensor, err := New(bus, Options{})
		require.NoError(t, err)
		bus.Fail(syscall.EREMOTEIO)
		reading, err := sensor.Read(t.Context())
		require.ErrorIs(t, err, syscall.EREMOTEIO)
		require.Equal(t, sensors.Absent, sensors.KindOf(err))
		require.Empty(t, reading.Values)
		bus.Heal()
		bus.FailAt(1, syscall.EAGAIN)
		_, err = sensor.Read(t.Context())
		require.NoError(t, err, "one glitch is repeated away")
	})
}

// All 4096 codes: the decoder against the definition of two's complement, and the data sheet's named codes, also those
// outside the part's range.
func TestDecode(t *testing.T) {
	for code := range 1 << 12 {
		want := float64(code) / 16
		if code >= 1<<11 {
			want -= 256
		}
		require.Equal(t, want, celsius(uint16(code<<4)), "%03x", code)
	}
	require.Equal(t, 127.9375, celsius(0x7FF0))
	require.Equal(t, -55.0, celsius(0xC900))
}

func TestAnotherPartIsRefused(t *testing.T) {
	bus := sensortest.NewBus("fake")
	bus.Attach(0x48, sensortest.Func{Answer: func(_, r []byte) error {
		clear(r)
		return nil
	}})
	sensor, err := New(bus, Options{})
	require.NoError(t, err)
	_, err = sensor.Read(context.Background())
	require.ErrorContains(t, err, "another part answers")
	require.Equal(t, sensors.Implausible, sensors.KindOf(err))
}

func TestAddress(t *testing.T) {
	bus := sensortest.NewBus("fake")
	for _, address := range []uint16{0x47, 0x4C, 0x18} {
		_, err := New(bus, Options{Address: address})
		require.ErrorContains(t, err, "0x48 to 0x4b")
	}
	sensor, err := New(bus, Options{Address: 0x4B})
	require.NoError(t, err)
	require.Equal(t, "fake 0x4b", sensor.Describe().Where)
}

func TestIdentify(t *testing.T) {
	registers := func(configuration, low, high uint16) sensortest.Func {
		return sensortest.Func{Answer: func(w, r []byte) error {
			word := map[byte]uint16{1: configuration, 2: low, 3: high}[w[0]]
			r[0], r[1] = byte(word>>8), byte(word)
			return nil
		}}
	}
	for name, c := range map[string]struct {
		device sensortest.Device
		want   bool
	}{
		"TMP102":                    {registers(0x60A0, 0x4B00, 0x5000), true},
		"TMP102 that we set up":     {registers(0x6040, 0x4B00, 0x5000), true},
		"LM75, eight bits of setup": {registers(0x0000, 0x4B00, 0x5000), false},
		"TMP105 set up by lm75":     {registers(0x6880, 0x4B00, 0x5000), false},
		"ADS1115":                   {registers(0x8583, 0x8000, 0x7FFF), false},
		"other limits":              {registers(0x60A0, 0x1900, 0x1E00), false},
		"idle bus":                  {registers(0xFFFF, 0xFFFF, 0xFFFF), false},
	} {
		bus := sensortest.NewBus("fake")
		bus.Attach(0x48, c.device)
		got, err := Identify(t.Context(), bus, 0x48)
		require.NoError(t, err, name)
		require.Equal(t, c.want, got, name)
	}
	_, err := Identify(t.Context(), sensortest.NewBus("fake"), 0x48)
	require.Equal(t, sensors.Absent, sensors.KindOf(err))
}
