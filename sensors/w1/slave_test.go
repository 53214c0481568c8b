package w1_test

import (
	"context"
	"encoding/hex"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/sensors"
	"dewline/sensors/internal/scratchpad"
	"dewline/sensors/w1"
)

// slaveOf returns what the kernel shows of an original part that holds a word.
func slaveOf(word uint16) w1.Slave {
	pad := [9]byte{byte(word), byte(word >> 8), 0x4B, 0x46, 0x7F, 0xFF, 16 - byte(word)&15, 0x10}
	pad[8] = scratchpad.CRC8(pad[:8])
	return w1.Slave{Scratchpad: pad, CRC: pad[8], Good: true, Last: pad, Millicelsius: int64(int16(word)) * 1000 / 16}
}

// shown returns the text that the kernel would show.
func shown(s w1.Slave) string {
	verdict := "NO"
	if s.Good {
		verdict = "YES"
	}
	return fmt.Sprintf("% x : crc=%02x %s\n% x t=%d\n", s.Scratchpad, s.CRC, verdict, s.Last, s.Millicelsius)
}

// withCRC completes eight bytes to the text of a w1_slave file.
func withCRC(t *testing.T, eight string) string {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(eight, " ", ""))
	require.NoError(t, err)
	var s w1.Slave
	copy(s.Scratchpad[:], b)
	s.CRC, s.Good = scratchpad.CRC8(b), true
	s.Scratchpad[8], s.Last = s.CRC, s.Scratchpad
	return shown(s)
}

func TestParseSlave(t *testing.T) {
	s, err := w1.ParseSlave([]byte(saysNo))
	require.NoError(t, err)
	assert.Equal(t, w1.Slave{
		Scratchpad:   [9]byte{0x65, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x0b, 0x10, 0x2d},
		CRC:          0x2c,
		Last:         [9]byte{0x65, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x0b, 0x10, 0x2c},
		Millicelsius: 22312,
	}, s)
	for _, text := range []string{"", "\n", "YES", saysNo[:40], strings.ToUpper(saysNo), strings.ReplaceAll(saysNo, "NO", "YES "+"YES"),
		strings.Replace(saysNo, "65 ", "", 1), strings.Replace(saysNo, "65 ", "065 ", 1), strings.Replace(saysNo, "t=22312", "t=", 1),
		strings.Replace(saysNo, "t=22312", "t=22.3", 1), strings.Replace(saysNo, "crc=2c", "crc=2cc", 1)} {
		got, err := w1.ParseSlave([]byte(text))
		assert.Equal(t, sensors.Checksum, sensors.KindOf(err), "%q", text)
		assert.Zero(t, got, "no value beside an error")
	}
}

// What parses prints back and parses again to the same.
func TestSlavePrintsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want w1.Slave
		copy(want.Scratchpad[:], rapid.SliceOfN(rapid.Byte(), 9, 9).Draw(t, "scratchpad"))
		copy(want.Last[:], rapid.SliceOfN(rapid.Byte(), 9, 9).Draw(t, "last"))
		want.CRC, want.Good = rapid.Byte().Draw(t, "crc"), rapid.Bool().Draw(t, "good")
		want.Millicelsius = rapid.Int64().Draw(t, "milli")
		got, err := w1.ParseSlave([]byte(shown(want)))
		if err != nil || got != want {
			t.Fatalf("%q gives %+v, %v", shown(want), got, err)
		}
	})
}

func FuzzParseSlave(f *testing.F) {
	for _, text := range []string{powerOn, brokenOff, zeros, ones, saysNo, oddConfig, shown(slaveOf(0xFC90)), ""} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		s, err := w1.ParseSlave(text)
		if err != nil {
			if s != (w1.Slave{}) || sensors.KindOf(err) != sensors.Checksum {
				t.Fatalf("%q: %+v beside %v", text, s, err)
			}
			return
		}
		if again, err := w1.ParseSlave([]byte(shown(s))); err != nil || again != s {
			t.Fatalf("%q prints as %q, which gives %+v, %v", text, shown(s), again, err)
		}
	})
}

// Whatever the file holds, a read gives an error or a temperature that the part can measure, and the one that the
// bytes hold.
func FuzzRead(f *testing.F) {
	for _, text := range []string{powerOn, brokenOff, zeros, ones, saysNo, oddConfig, shown(slaveOf(0x0165)), shown(slaveOf(0xFC90))} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		files := memory{devices + original + "/w1_slave": string(text)}
		sensor, err := w1.New(w1.Options{ROM: original, Files: files})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 700*time.Millisecond) // no room for a repetition
		defer cancel()
		reading, err := sensor.Read(ctx)
		if err != nil {
			if len(reading.Values) > 0 {
				t.Fatalf("values %v beside %v", reading.Values, err)
			}
			return
		}
		s, err := w1.ParseSlave(text)
		if err != nil || !s.Good || scratchpad.CRC8(s.Scratchpad[:8]) != s.Scratchpad[8] {
			t.Fatalf("%q was read as %v", text, reading.Values)
		}
		word := int16(s.Scratchpad[0]) | int16(s.Scratchpad[1])<<8
		bits := 9 + s.Scratchpad[4]>>5&3
		if got := reading.Values[0].Value; got < -55 || got > 125 || math.Abs(got-float64(word)/16) >= float64(int(1)<<(12-bits))/16 {
			t.Fatalf("%q was read as %v", text, got)
		}
	})
}
