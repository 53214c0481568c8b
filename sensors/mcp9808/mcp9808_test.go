package mcp9808

import (
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors"
	"dewline/sensors/sensortest"
)

// mcp is an MCP9808: registers that fall back at power-on, and a temperature that stays zero until the first conversion.
type mcp struct {
	mu        sync.Mutex
	registers map[byte]uint16
	pointer   byte
	word      uint16
	running   time.Time // since when it converts
}

func newMCP(word uint16) *mcp {
	c := &mcp{word: word}
	c.Reset()
	return c
}

func (c *mcp) Reset() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.pointer, c.running = 0, time.Now()
	c.registers = map[byte]uint16{makerID: 0x0054, deviceID: 0x0400, resolution: 0x0003}
}

func (c *mcp) Exchange(w, r []byte) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(w) > 0 {
		c.pointer = w[0]
	}
	switch {
	case len(w) == 3:
		c.registers[c.pointer] = uint16(w[1])<<8 | uint16(w[2])
	case len(w) == 2:
		c.registers[c.pointer] = uint16(w[1])
	}
	word := c.registers[c.pointer]
	if c.pointer == temperature && time.Since(c.running) >= 250*time.Millisecond {
		word = c.word
	}
	for i := range r {
		r[i] = byte(word >> (8 * (1 - i%2)))
	}
	return nil
}

func TestConformance(t *testing.T) {
	const address = 0x18
	sensortest.Run(t, sensortest.Rig{
		NoChecksum: true,
		ResetSeen:  true,
		Open: func(t *testing.T) sensortest.Bench {
			bus := sensortest.NewBus("fake")
			bus.Attach(address, newMCP(0xC168)) // 22.5 °C, two alert flags set
			sensor, err := New(bus, Options{})
			require.NoError(t, err)
			answer := func(word uint16) func() {
				return func() {
					bus.Garble(func(io i2ctest.IO) {
						if io.W[0] == temperature {
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
					"above the range": answer(0x07E0), // 126 °C
					"below the range": answer(0x1D70), // −41 °C
					"idle bus": func() {
						bus.Garble(func(io i2ctest.IO) {
							for i := range io.R {
								io.R[i] = 0xFF
							}
						})
					},
				},
				Reset:       func() { bus.Power(address) },
				ResetMidway: func() { bus.ResetAt(2, address) },
				FailAt:      bus.FailAt,
			}
		},
	})
}

// Words of the data sheet's layout (from memory), some with alert flags, through the whole driver.
func TestWords(t *testing.T) {
	for _, c := range []struct {
		word    uint16
		celsius float64
	}{
		{0x0000, 0}, {0x0001, 0.0625}, {0xC190, 25}, {0x0194, 25.25}, {0x07D0, 125},
		{0x1FFF, -0.0625}, {0x3FFC, -0.25}, {0x1E70, -25}, {0x1D80, -40},
	} {
		t.Run(fmt.Sprintf("%04x", c.word), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
					{Addr: 0x1F, W: []byte{6}, R: []byte{0x00, 0x54}},
					{Addr: 0x1F, W: []byte{7}, R: []byte{0x04, 0x00}},
					{Addr: 0x1F, W: []byte{1, 0, 0}},
					{Addr: 0x1F, W: []byte{8, 3}},
					{Addr: 0x1F, W: []byte{2, 0x05, 0x50}},
					{Addr: 0x1F, W: []byte{5}, R: []byte{byte(c.word >> 8), byte(c.word)}},
					{Addr: 0x1F, W: []byte{2}, R: []byte{0x05, 0x50}},
					{Addr: 0x1F, W: []byte{1}, R: []byte{0, 0}},
				}}
				sensor, err := New(bus, Options{Address: 0x1F})
				require.NoError(t, err)
				reading, err := sensor.Read(t.Context())
				require.NoError(t, err)
				require.NoError(t, bus.Close())
				got, _ := reading.Measured(sensors.Temperature)
				require.Equal(t, c.celsius, got.Value)
				require.Equal(t, uint64(c.word&0x1FFF), got.Raw)
				require.True(t, reading.First)
			})
		})
	}
}

// The defect of the periph driver that made this one necessary: a part that was reset answers 0 °C.
func TestNoZeroAfterPowerDip(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		bus.Attach(0x18, newMCP(0x0168))
		sensor, err := New(bus, Options{})
		require.NoError(t, err)
		_, err = sensor.Read(t.Context())
		require.NoError(t, err)
		bus.Power(0x18)
		reading, err := sensor.Read(t.Context())
		require.NoError(t, err, "set up again and repeated within the same read")
		got, _ := reading.Measured(sensors.Temperature)
		require.Equal(t, 22.5, got.Value)
		require.True(t, reading.Reset)
		require.True(t, reading.First)
	})
}

// Another program that puts the part to sleep freezes its temperature.
func TestForeignHands(t *testing.T) {
	for name, command := range map[string][]byte{"shut down": {configuration, 0x01, 0x00}, "limit set": {upperLimit, 0x01, 0x00}} {
		synctest.Test(t, func(t *testing.T) {
			bus := sensortest.NewBus("fake")
			bus.Attach(0x18, newMCP(0x0168))
			sensor, err := New(bus, Options{})
			require.NoError(t, err)
			_, err = sensor.Read(t.Context())
			require.NoError(t, err)
			reading, err := readAfter(t, sensor, bus, command)
			require.NoError(t, err, name)
			require.True(t, reading.First, "%s: the part must have been set up again", name)
		})
	}
}

func readAfter(t *testing.T, sensor sensors.Sensor, bus *sensortest.Bus, command []byte) (sensors.Measurement, error) {
	t.Helper()
	require.NoError(t, bus.Tx(0x18, command, nil))
	return sensor.Read(t.Context())
}

// The 1-Wire masters live at the same address.
func TestAnotherPartIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("fake")
		bus.Attach(0x18, sensortest.Func{Answer: func(_, r []byte) error {
			for i := range r {
				r[i] = 0x18
			}
			return nil
		}})
		sensor, err := New(bus, Options{})
		require.NoError(t, err)
		_, err = sensor.Read(t.Context())
		require.ErrorContains(t, err, "another part answers")
		require.Equal(t, sensors.Implausible, sensors.KindOf(err))
	})
}

func TestAddress(t *testing.T) {
	for _, address := range []uint16{0x17, 0x20} {
		_, err := New(sensortest.NewBus("fake"), Options{Address: address})
		require.ErrorContains(t, err, "0x18 to 0x1f")
	}
}

func TestIdentify(t *testing.T) {
	bus := sensortest.NewBus("fake")
	bus.Attach(0x18, newMCP(0x0168))
	bus.Attach(0x19, sensortest.Func{Answer: func(_, r []byte) error { r[0], r[1] = 0x18, 0x18; return nil }})
	is, err := Identify(t.Context(), bus, 0x18)
	require.NoError(t, err)
	require.True(t, is)
	is, err = Identify(t.Context(), bus, 0x19)
	require.NoError(t, err)
	require.False(t, is)
	_, err = Identify(t.Context(), bus, 0x1A)
	require.Equal(t, sensors.Absent, sensors.KindOf(err))
}
