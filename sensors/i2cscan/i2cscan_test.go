package i2cscan

import (
	"context"
	"syscall"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
	"dewline/sensors/internal/chip"
	"dewline/sensors/sensortest"
)

// commanded answers each command with the bytes given for it, and nothing else.
func commanded(answers map[string][]byte) sensortest.Device {
	var pending []byte
	return sensortest.Func{Answer: func(w, r []byte) error {
		if len(w) > 0 {
			answer, known := answers[string(w)]
			if pending = answer; !known {
				return sensortest.NoAcknowledge
			}
		}
		if len(r) > 0 {
			if pending == nil {
				return sensortest.NoAcknowledge
			}
			copy(r, pending)
			pending = nil
		}
		return nil
	}}
}

// registers is a part with a register number that each read begins at.
func registers(content map[byte]byte) sensortest.Device {
	var at byte
	return sensortest.Func{Answer: func(w, r []byte) error {
		if len(w) > 0 {
			at = w[0]
		}
		for i := range r {
			r[i] = content[at+byte(i)]
		}
		return nil
	}}
}

// latch returns the last byte written to everything, and counts the writes.
type latch struct {
	value  byte
	writes int
}

func (l *latch) Reset() { l.value = 0 }

func (l *latch) Exchange(w, r []byte) error {
	for _, b := range w {
		l.value = b
		l.writes++
	}
	for i := range r {
		r[i] = l.value
	}
	return nil
}

func word(initial byte, v uint16) []byte {
	return []byte{byte(v >> 8), byte(v), chip.CRC8(initial, byte(v>>8), byte(v))}
}

func scan(t *testing.T, bus *sensortest.Bus) (found []sensors.Found) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		var err error
		found, err = Scan(t.Context(), bus)
		require.NoError(t, err)
	})
	return found
}

func TestEachPartIsIdentified(t *testing.T) {
	serial := append(word(0xFF, 0x0F5A), word(0xFF, 0x31C2)...)
	for name, c := range map[string]struct {
		address      uint16
		device       sensortest.Device
		driver, part string
		channels     int
	}{
		"SHT4x":         {0x45, commanded(map[string][]byte{"\x89": serial}), "sht4x", "SHT4x serial 0x0f5a31c2", 2},
		"SHT3x":         {0x44, commanded(map[string][]byte{"\xF3\x2D": word(0xFF, 0x8010)}), "sht3x", "SHT3x", 2},
		"HDC302x":       {0x44, commanded(map[string][]byte{"\x37\x81": word(0xFF, 0x3000), "\xF3\x2D": word(0xFF, 0x8010)}), "hdc302x", "HDC302x", 2},
		"other at 0x44": {0x44, commanded(map[string][]byte{"\x89": {1, 2, 3, 4, 5, 6}}), "", "unknown part", 0},
		"AHT20":         {0x38, sensortest.Func{Answer: func(_, r []byte) error { copy(r, []byte{0x18, 0x75, 0x52, 0x05, 0x8E, 0x40, 0x7F}); return nil }}, "aht20", "AHT20", 2},
		"new AHT20":     {0x38, sensortest.Func{Answer: func(_, r []byte) error { clear(r); r[0] = 0x18; return nil }}, "aht20", "probably AHT20", 2},
		"HTU21D":        {0x40, commanded(map[string][]byte{"\xF3": {0x68, 0x3A, 0x7C}}), "htu21", "HTU21D, Si7021 or SHT21", 2},
		"other at 0x40": {0x40, registers(map[byte]byte{0: 0x39, 1: 0x9F}), "", "unknown part", 0},
		"at 0x18":       {0x18, registers(map[byte]byte{6: 0x00, 7: 0x54}), "", "unknown part", 0},
		"at 0x48":       {0x48, registers(map[byte]byte{0: 0x19}), "", "unknown part", 0},
		"BMP280":        {0x77, registers(map[byte]byte{0xD0: 0x58}), "bmp280", "BMP280", 2},
		"BME280":        {0x76, registers(map[byte]byte{0xD0: 0x60}), "bme280", "BME280", 3},
		"BME680":        {0x76, registers(map[byte]byte{0xD0: 0x61}), "", "BME680", 0},
		"other at 0x76": {0x76, registers(map[byte]byte{0xD0: 0x11}), "", "unknown part", 0},
	} {
		t.Run(name, func(t *testing.T) {
			bus := sensortest.NewBus("I2C1")
			bus.Attach(c.address, c.device)
			found := scan(t, bus)
			require.Len(t, found, 1)
			assert.Equal(t, c.driver, found[0].Driver)
			assert.Equal(t, c.part, found[0].Part)
			assert.Len(t, found[0].Channels, c.channels)
			assert.Equal(t, "I2C1", found[0].Bus)
		})
	}
}

func TestAnEmptyBusHasNothing(t *testing.T) {
	require.Empty(t, scan(t, sensortest.NewBus("I2C1")))
}

// What is not a sensor must be as before: the pins of a port expander, the channels of a multiplexer.
func TestOtherPartsAreLeftAsTheyWere(t *testing.T) {
	bus := sensortest.NewBus("I2C1")
	expander, near, high := &latch{value: 0x5A}, &latch{value: 0x04}, &latch{value: 0x81}
	bus.Attach(0x38, expander)
	bus.Attach(0x70, near)
	bus.Attach(0x77, high)
	found := scan(t, bus)
	require.Len(t, found, 3)
	assert.Contains(t, found[0].Notes[0], "PCF8574A")
	assert.Contains(t, found[1].Notes[0], "I2C1/0x70:0 to :7")
	assert.Contains(t, found[2].Notes[0], "I2C1/0x77:0 to :7")
	assert.Equal(t, &latch{value: 0x5A}, expander)
	assert.Equal(t, &latch{value: 0x04}, near)
	assert.Equal(t, &latch{value: 0x81, writes: 2}, high, "asked for its id, and given its channels back")
}

func TestBehindAMultiplexer(t *testing.T) {
	bus := sensortest.NewBus("I2C1")
	bus.Attach(0x70, &latch{})
	bus.Attach(0x76, registers(map[byte]byte{0xD0: 0x60}))
	channel, err := i2cbus.Mux(bus, 0x70, 3)
	require.NoError(t, err)
	found, err := Scan(t.Context(), channel)
	require.NoError(t, err)
	require.Len(t, found, 1)
	require.Equal(t, "bme280", found[0].Driver)
	require.Equal(t, "I2C1/0x70:3", found[0].Bus)
	require.Equal(t, "0x76", found[0].Address)
}

func TestAKernelDriversAddressIsReported(t *testing.T) {
	bus := sensortest.NewBus("I2C1")
	bus.Fail(syscall.EBUSY)
	found := scan(t, bus)
	require.Len(t, found, len(questions))
	require.Contains(t, found[0].Notes[0], "hwmon or iio")
}

func TestABusThatDoesNotWorkIsAnError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("I2C1")
		bus.Block()
		defer bus.Heal()
		_, err := Scan(t.Context(), bus)
		require.Equal(t, sensors.Timeout, sensors.KindOf(err))
		require.ErrorContains(t, err, "holds the data line low")
	})
	synctest.Test(t, func(t *testing.T) { // transfers come back, but none in time
		bus := sensortest.NewBus("I2C1")
		bus.Fail(syscall.ETIMEDOUT)
		_, err := Scan(t.Context(), bus)
		require.ErrorContains(t, err, "holds the data line low")
	})
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err := Scan(ctx, sensortest.NewBus("I2C1"))
		require.Equal(t, sensors.Timeout, sensors.KindOf(err))
	})
}
