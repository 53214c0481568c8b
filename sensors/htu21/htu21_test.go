package htu21

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors"
	"dewline/sensors/internal/chip"
	"dewline/sensors/sensortest"
)

// The example frames of the HTU20D datasheet, which rounds them to 24.7 °C and 32.3 %RH.
var (
	warmth   = []byte{0x68, 0x3A, 0x7C}
	dampness = []byte{0x4E, 0x85, 0x6B}
)

func word(v uint16) []byte { return []byte{byte(v >> 8), byte(v), chip.CRC8(0, byte(v>>8), byte(v))} }

// simulated is an HTU21D: it refuses to be read while it converts.
type simulated struct {
	warmth, dampness []byte
	answer           []byte
	ready            time.Time
}

func (s *simulated) Reset() { s.answer = nil }

func (s *simulated) Exchange(w, r []byte) error {
	if len(w) == 1 {
		switch w[0] {
		case 0xFE:
			s.answer, s.ready = nil, time.Now().Add(15*time.Millisecond)
			return nil
		case 0xF3:
			s.answer, s.ready = s.warmth, time.Now().Add(50*time.Millisecond)
		case 0xF5:
			s.answer, s.ready = s.dampness, time.Now().Add(16*time.Millisecond)
		default:
			return sensortest.NoAcknowledge
		}
	}
	if len(r) > 0 {
		if s.answer == nil || time.Now().Before(s.ready) {
			return sensortest.NoAcknowledge
		}
		copy(r, s.answer)
		s.answer = nil
	}
	return nil
}

func TestConformance(t *testing.T) {
	sensortest.Run(t, sensortest.Rig{
		Open: func(t *testing.T) sensortest.Bench {
			bus, part := sensortest.NewBus("I2C1"), &simulated{warmth: warmth, dampness: dampness}
			bus.Attach(0x40, part)
			d, err := New(bus, Options{Part: "HTU21D"})
			require.NoError(t, err)
			return sensortest.Bench{
				Sensor:  d,
				Want:    map[sensors.Channel]float64{sensors.Temperature: 24.69, sensors.Humidity: 32.34},
				Heal:    func() { part.warmth, part.dampness = warmth, dampness; bus.Heal() },
				Absent:  func() { bus.Unplug(0x40) },
				Silent:  bus.Block,
				Slow:    bus.Delay,
				Garbled: sensortest.Flips(24, func(bit int) { bus.Flip(3, bit) }),
				Implausible: map[string]func(){
					"data line low":     func() { part.warmth, part.dampness = word(0), word(0) },
					"humidity line low": func() { part.dampness = word(0) },
					"data line high":    func() { part.warmth = word(0xFFFF) },
					"colder than rated": func() { part.warmth = word(0x0100) },
				},
				Reset:       func() { bus.Power(0x40) },
				ResetMidway: func() { bus.ResetAt(2, 0x40) },
				FailAt:      bus.FailAt,
			}
		},
	})
}

// Values of the masked words, computed from the datasheet's formulas.
func TestDecode(t *testing.T) {
	values, err := Decode(append(append([]byte{}, warmth...), dampness...))
	require.NoError(t, err)
	assert.InDelta(t, 24.69, values[0].Value, 0.005)
	assert.InDelta(t, 32.34, values[1].Value, 0.005)
	assert.Equal(t, uint64(0x683A), values[0].Raw)
	// The ends of the formulas; the largest word keeps its status bits out of the value.
	assert.InDelta(t, -46.85, Celsius(3), 1e-9)
	assert.InDelta(t, -6, Humidity(3), 1e-9)
	assert.InDelta(t, 119, Humidity(0xFFFF), 0.01)
}

// The exact exchange: one reset, then for each word a command and a read of its own, without clock stretching.
func TestExchange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
			{Addr: 0x40, W: []byte{0xFE}},
			{Addr: 0x40, W: []byte{0xF3}},
			{Addr: 0x40, R: warmth},
			{Addr: 0x40, W: []byte{0xF5}},
			{Addr: 0x40, R: dampness},
			{Addr: 0x40, W: []byte{0xF3}},
			{Addr: 0x40, R: warmth},
			{Addr: 0x40, W: []byte{0xF5}},
			{Addr: 0x40, R: dampness},
		}}
		d, err := New(bus, Options{})
		require.NoError(t, err)
		for _, first := range []bool{true, false} {
			reading, err := d.Read(t.Context())
			require.NoError(t, err)
			require.Equal(t, first, reading.First)
			require.Len(t, reading.Evidence, 6)
		}
		require.NoError(t, bus.Close())
	})
}

func TestNewRefuses(t *testing.T) {
	bus := sensortest.NewBus("I2C1")
	_, err := New(bus, Options{Address: 0x44})
	require.ErrorContains(t, err, "it can be 0x40")
	_, err = New(bus, Options{Part: "DHT22"})
	require.ErrorContains(t, err, "HTU21D or Si7021")
}

func FuzzDecode(f *testing.F) {
	f.Add(append(append([]byte{}, warmth...), dampness...))
	f.Add(make([]byte, 6))
	f.Add(append(word(0xFFFF), word(0xFFFF)...))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, frame []byte) {
		values, err := Decode(frame)
		if err != nil {
			require.Empty(t, values)
			require.NotEqual(t, sensors.Unknown, sensors.KindOf(err))
			return
		}
		require.Len(t, frame, 6)
		require.Equal(t, chip.CRC8(0, frame[0], frame[1]), frame[2])
		require.Equal(t, chip.CRC8(0, frame[3], frame[4]), frame[5])
		require.NoError(t, chip.Check(measures, values))
	})
}
