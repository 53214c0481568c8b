package chip

import (
	"context"
	"encoding/hex"
	"errors"
	"os"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/sensors"
	"dewline/sensors/sensortest"
)

// The checksums of the datasheets: BEEF in SHT3x-DIS table 20, the last three in HTU20D. Those without a datasheet are
// computed by the same polynomial elsewhere.
func TestCRC8MeetsTheDatasheets(t *testing.T) {
	for _, c := range []struct {
		initial byte
		data    string
		want    byte
	}{
		{0xFF, "beef", 0x92},
		{0xFF, "0000", 0x81},
		{0xFF, "ffff", 0xAC},
		{0xFF, "6666", 0x93},
		{0x00, "dc", 0x79},
		{0x00, "683a", 0x7C},
		{0x00, "4e85", 0x6B},
	} {
		data, err := hex.DecodeString(c.data)
		require.NoError(t, err)
		assert.Equalf(t, c.want, CRC8(c.initial, data...), "%s, initial value %#02x", c.data, c.initial)
	}
}

// A CRC of a polynomial with more than one term sees every single flipped bit.
func TestWordsSeesEveryFlippedBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		initial := rapid.SampledFrom([]byte{0x00, 0xFF}).Draw(t, "initial")
		words := rapid.SliceOfN(rapid.Uint16(), 1, 3).Draw(t, "words")
		var frame []byte
		for _, w := range words {
			frame = append(frame, byte(w>>8), byte(w), CRC8(initial, byte(w>>8), byte(w)))
		}
		got, err := Words(initial, frame)
		require.NoError(t, err)
		require.Equal(t, words, got)
		bit := rapid.IntRange(0, 8*len(frame)-1).Draw(t, "bit")
		frame[bit/8] ^= 1 << (bit % 8)
		got, err = Words(initial, frame)
		require.Equal(t, sensors.Checksum, sensors.KindOf(err))
		require.Nil(t, got)
	})
}

func TestConnectRefusesAddressesThePartCannotHave(t *testing.T) {
	_, err := Connect("some", sensortest.NewBus("I2C1"), 0x23, 0x44, 0x45, 0x46)
	require.EqualError(t, err, "some: no such part answers at address 0x23; it can be 0x44, 0x45 or 0x46")
	_, err = Connect("some", nil, 0x44, 0x44)
	require.EqualError(t, err, "some: no bus given")
}

func connect(t *testing.T) *Conn {
	t.Helper()
	conn, err := Connect("some", sensortest.NewBus("I2C1"), 0x44, 0x44)
	require.NoError(t, err)
	return conn
}

func TestReadTriesThreeTimesFiftyMillisecondsApart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		var at []time.Duration
		reading, err := connect(t).Read(t.Context(), func(context.Context) (sensors.Measurement, error) {
			at = append(at, time.Since(start))
			return sensors.Measurement{Evidence: []byte{1}, Values: []sensors.Value{{}}}, syscall.EIO
		})
		require.Equal(t, []time.Duration{0, 50 * time.Millisecond, 100 * time.Millisecond}, at)
		require.EqualError(t, err, "reading some at I2C1 0x44: checksum: input/output error")
		require.ErrorIs(t, err, syscall.EIO)
		require.Empty(t, reading.Values, "no value leaves with an error")
		require.Equal(t, []byte{1}, reading.Evidence)
	})
}

// What was seen before time ran out says more than that time ran out, and its evidence is kept.
func TestReadKeepsTheEarlierFailureWhenTimeRunsOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Millisecond)
		defer cancel()
		reading, err := connect(t).Read(ctx, func(context.Context) (sensors.Measurement, error) {
			return sensors.Measurement{Evidence: []byte{7}}, sensors.Errorf(sensors.Checksum, "a word is wrong")
		})
		require.Equal(t, sensors.Checksum, sensors.KindOf(err))
		require.Equal(t, []byte{7}, reading.Evidence)
	})
}

func TestReadAfterCloseTouchesNothing(t *testing.T) {
	conn := connect(t)
	require.NoError(t, conn.Close())
	_, err := conn.Read(t.Context(), func(context.Context) (sensors.Measurement, error) {
		return sensors.Measurement{}, errors.New("touched")
	})
	require.ErrorIs(t, err, os.ErrClosed)
}

func TestLifeReportsAResetOnceAndOnlyAfterAFirstRead(t *testing.T) {
	var l Life
	l.WasReset() // the reset bit of a device just powered on
	l.Begun()
	var r sensors.Measurement
	l.mark(&r)
	assert.Equal(t, sensors.Measurement{First: true}, r)
	l.mark(&r)
	assert.Equal(t, sensors.Measurement{}, r)
	l.WasReset()
	assert.False(t, l.SetUp())
	l.Begun()
	l.mark(&r)
	assert.Equal(t, sensors.Measurement{First: true, Reset: true}, r)
	l.missed(syscall.EIO)
	assert.True(t, l.SetUp(), "a glitch is no reason to set up again")
	l.missed(syscall.ENXIO)
	assert.False(t, l.SetUp())
}

func FuzzWords(f *testing.F) {
	f.Add(byte(0xFF), []byte{0xBE, 0xEF, 0x92})
	f.Add(byte(0x00), []byte{0x68, 0x3A, 0x7C, 0x4E, 0x85, 0x6B})
	f.Add(byte(0x00), []byte{0, 0, 0})
	f.Add(byte(0xFF), []byte{})
	f.Fuzz(func(t *testing.T, initial byte, frame []byte) {
		words, err := Words(initial, frame)
		if err != nil {
			require.Nil(t, words)
			require.NotEqual(t, sensors.Unknown, sensors.KindOf(err))
			return
		}
		var again []byte // whatever is taken prints back byte for byte
		for _, w := range words {
			again = append(again, byte(w>>8), byte(w), CRC8(initial, byte(w>>8), byte(w)))
		}
		require.Equal(t, again, frame)
	})
}
