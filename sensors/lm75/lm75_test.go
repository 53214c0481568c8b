package lm75

import (
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

// simulated is a part of this class by its data sheet: a pointer register, a temperature that stays zero until the first
// conversion, and a configuration of one byte that falls back at power-on.
type simulated struct {
	mu            sync.Mutex
	undefined     uint16 // what the bits below the temperature show
	conversion    time.Duration
	pointer       byte
	configuration byte
	word          uint16
	poweredOn     time.Time
}

func newSimulated(word uint16, conversion time.Duration) *simulated {
	c := &simulated{word: word, conversion: conversion}
	c.Reset()
	return c
}

func (c *simulated) Reset() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.pointer, c.configuration, c.poweredOn = 0, 0, time.Now()
}

func (c *simulated) Exchange(w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(w) > 0 {
		c.pointer = w[0]
	}
	if len(w) == 2 && c.pointer == 1 {
		c.configuration = w[1] &^ oneShot
	}
	word := c.undefined
	if time.Since(c.poweredOn) >= c.conversion {
		word |= c.word
	}
	for i := range r {
		switch c.pointer {
		case 0:
			r[i] = byte(word >> (8 * (1 - i%2)))
		case 1:
			r[i] = c.configuration
		case 2:
			r[i] = []byte{0x4B, 0}[i%2]
		case 3:
			r[i] = []byte{0x50, 0}[i%2]
		}
	}
	return nil
}

func TestConformance(t *testing.T) {
	const address = 0x49
	for _, c := range []struct {
		part        string
		conversion  time.Duration
		undefined   uint16
		implausible map[string]uint16
	}{
		{"", 300 * time.Millisecond, 0x005A, map[string]uint16{"idle bus": 0xFFFF, "highest code": 0x7FFF, "below the range": 0xC880}},
		{"TMP105", 220 * time.Millisecond, 0, map[string]uint16{"idle bus": 0xFFFF, "highest code": 0x7FF0, "bits that must be zero": 0x1688}},
	} {
		t.Run(c.part, func(t *testing.T) {
			sensortest.Run(t, sensortest.Rig{
				NoChecksum: true,
				ResetSeen:  true,
				Open: func(t *testing.T) sensortest.Bench {
					bus := sensortest.NewBus("fake")
					device := newSimulated(0x1680, c.conversion) // 22.5 °C
					device.undefined = c.undefined
					bus.Attach(address, device)
					sensor, err := New(bus, Options{Address: address, Part: c.part})
					require.NoError(t, err)
					implausible := map[string]func(){
						"configuration of another part": func() {
							bus.Garble(func(io i2ctest.IO) {
								if len(io.R) == 1 {
									io.R[0] = 0xE5
								}
							})
						},
					}
					for name, word := range c.implausible {
						implausible[name] = func() {
							bus.Garble(func(io i2ctest.IO) {
								if len(io.R) == 2 {
									io.R[0], io.R[1] = byte(word>>8), byte(word)
								}
							})
						}
					}
					return sensortest.Bench{
						Sensor:      sensor,
						Want:        map[sensors.Channel]float64{sensors.Temperature: 22.5},
						Heal:        bus.Heal,
						Absent:      func() { bus.Unplug(address) },
						Silent:      bus.Block,
						Slow:        bus.Delay,
						Garbled:     sensortest.Flips(16, func(bit int) { bus.Flip(2, bit) }),
						Implausible: implausible,
						Reset:       func() { bus.Power(address) },
						ResetMidway: func() { bus.ResetAt(2, address) },
						FailAt:      bus.FailAt,
					}
				},
			})
		})
	}
}

// Codes of the data sheets' temperature tables (LM75 DS012658, TMP105 SLLS648D), through the whole driver.
func TestCodes(t *testing.T) {
	for _, c := range []struct {
		part    string
		setUp   byte
		word    uint16
		celsius float64
	}{
		{"", 0x08, 0x7D00, 125}, {"", 0x08, 0x1900, 25}, {"", 0x08, 0x0080, 0.5}, {"", 0x08, 0x0000, 0},
		{"", 0x08, 0xFF80, -0.5}, {"", 0x08, 0xE700, -25}, {"", 0x08, 0xC900, -55},
		{"", 0x08, 0x19FF, 25.5}, // with undefined bits that are ones
		{"PCT2075", 0x08, 0x1920, 25.125},
		{"TMP105", 0x68, 0x6400, 100}, {"TMP105", 0x68, 0x5000, 80}, {"TMP105", 0x68, 0x0040, 0.25},
		{"TMP105", 0x68, 0xFFC0, -0.25}, {"TMP105", 0x68, 0xE700, -25}, {"TMP105", 0x68, 0xC900, -55},
	} {
		t.Run(fmt.Sprintf("%s %04x", c.part, c.word), func(t *testing.T) {
			bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
				{Addr: 0x49, W: []byte{1, c.setUp}},
				{Addr: 0x49, W: []byte{0}, R: []byte{byte(c.word >> 8), byte(c.word)}},
				{Addr: 0x49, W: []byte{1}, R: []byte{c.setUp}},
			}}
			sensor, err := New(bus, Options{Address: 0x49, Part: c.part})
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
		bus.Attach(0x48, newSimulated(0x1680, 100*time.Millisecond))
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

// All codes of each resolution against the definition of two's complement.
func TestDecode(t *testing.T) {
	for name, k := range kinds {
		for code := range 1 << k.bits {
			want := float64(code) * 256 / float64(int(1)<<k.bits)
			if code >= 1<<(k.bits-1) {
				want -= 256
			}
			require.Equal(t, want, k.celsius(uint16(code<<(16-k.bits))), "%s %03x", name, code)
		}
	}
}

func TestOptions(t *testing.T) {
	bus := sensortest.NewBus("fake")
	for _, address := range []uint16{0x47, 0x50, 0x18} {
		_, err := New(bus, Options{Address: address})
		require.ErrorContains(t, err, "0x48 to 0x4f")
	}
	_, err := New(bus, Options{Part: "TMP999"})
	require.ErrorContains(t, err, `no part "TMP999"; known are LM75, MCP9800`)
	sensor, err := New(bus, Options{Address: 0x4F, Part: "TMP75"})
	require.NoError(t, err)
	require.Equal(t, "fake 0x4f", sensor.Describe().Where)
	require.Equal(t, "TMP75", sensor.Describe().Part)
	require.Equal(t, 0.0625, sensor.Describe().Measures[0].Resolution)
	sensor, err = New(bus, Options{})
	require.NoError(t, err)
	require.Equal(t, "LM75 or alike", sensor.Describe().Part)
	require.Equal(t, 0.5, sensor.Describe().Measures[0].Resolution)
}

func TestIdentify(t *testing.T) {
	registers := func(configuration byte, low, high uint16) sensortest.Func {
		return sensortest.Func{Answer: func(w, r []byte) error {
			word := map[byte]uint16{1: uint16(configuration) << 8, 2: low, 3: high}[w[0]]
			for i := range r {
				r[i] = byte(word >> (8 * (1 - i%2)))
			}
			return nil
		}}
	}
	for name, c := range map[string]struct {
		device sensortest.Device
		want   bool
	}{
		"after power-on":            {registers(0x00, 0x4B00, 0x5000), true},
		"LM75 that we set up":       {registers(0x08, 0x4B00, 0x5000), true},
		"TMP105 that we set up":     {registers(0x68, 0x4B00, 0x5000), true},
		"shut down by a program":    {registers(0x01, 0x4B00, 0x5000), false},
		"other limits":              {registers(0x00, 0x1900, 0x1E00), false},
		"ADS1115":                   {registers(0x85, 0x8000, 0x7FFF), false},
		"idle bus":                  {registers(0xFF, 0xFFFF, 0xFFFF), false},
		"a port expander, all zero": {registers(0x00, 0x0000, 0x0000), false},
	} {
		bus := sensortest.NewBus("fake")
		bus.Attach(0x4C, c.device)
		got, err := Identify(t.Context(), bus, 0x4C)
		require.NoError(t, err, name)
		require.Equal(t, c.want, got, name)
	}
	_, err := Identify(t.Context(), sensortest.NewBus("fake"), 0x4C)
	require.Equal(t, sensors.Absent, sensors.KindOf(err))
}
