package sensirion

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/internal/chip"
	"dewline/sensors/sensortest"
)

// The word of the SHT3x-DIS datasheet, table 20, twice.
func TestDecode(t *testing.T) {
	pair, err := Decode([]byte{0xBE, 0xEF, 0x92, 0xBE, 0xEF, 0x92})
	require.NoError(t, err)
	require.Equal(t, Pair{0xBEEF, 0xBEEF}, pair)
	for _, frame := range [][]byte{nil, {0xBE, 0xEF, 0x92}, make([]byte, 9)} {
		_, err = Decode(frame)
		require.Equal(t, sensors.Implausible, sensors.KindOf(err), "% x", frame)
	}
	_, err = Decode([]byte{0xBE, 0xEF, 0x92, 0xBE, 0xEF, 0x93})
	require.Equal(t, sensors.Checksum, sensors.KindOf(err))
	require.ErrorContains(t, err, "word 2 of be ef 92 be ef 93 should have the checksum 92")
}

func TestCelsius(t *testing.T) {
	require.Equal(t, -45., Celsius(0))
	require.Equal(t, 130., Celsius(0xFFFF))
	require.InDelta(t, 25, Celsius(0x6666), 0.002)
}

func TestSerialKeepsTheFrameOfAFailure(t *testing.T) {
	frame := []byte{0xBE, 0xEF, 0x92, 0x00, 0x01, 0xB0}
	bus := sensortest.NewBus("I2C1")
	bus.Attach(0x44, sensortest.Func{Answer: func(_, r []byte) error { copy(r, frame); return nil }})
	conn, err := chip.Connect("toy", bus, 0x44, 0x44)
	require.NoError(t, err)

	serial, got, err := Serial(t.Context(), conn, 0x89)
	require.NoError(t, err)
	require.Equal(t, uint32(0xBEEF0001), serial)
	require.Equal(t, frame, got)

	frame[5]++
	serial, got, err = Serial(t.Context(), conn, 0x89)
	require.Equal(t, sensors.Checksum, sensors.KindOf(err))
	require.Equal(t, frame, got)
	require.Zero(t, serial)
}
