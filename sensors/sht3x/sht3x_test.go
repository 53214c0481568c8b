package sht3x

import (
	"encoding/hex"
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

// Frames computed from the datasheet's formulas.
const (
	frame25At50 = "66669380" + "00a2" // 25.0 °C, 50 %RH
	frame22At80 = "62beadcccca5"      // 22.5 °C, 80 %RH
	lowest      = "000081000081"      // −45 °C, 0 %RH
	highest     = "ffffacffffac"      // 130 °C, 100 %RH
)

func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	require.NoError(t, err)
	return b
}

func word(v uint16) []byte {
	return []byte{byte(v >> 8), byte(v), chip.CRC8(0xFF, byte(v>>8), byte(v))}
}

// simulated is an SHT3x with its status word.
type simulated struct {
	frame    []byte
	nameless bool // a copy that knows no serial number
	periodic bool // refuses single measurements until stopped
	status   uint16
	answer   []byte
	ready    time.Time
}

func (s *simulated) Reset() { s.answer, s.status, s.periodic = nil, statusReset, false }

func (s *simulated) Exchange(w, r []byte) error {
	if len(w) > 0 {
		s.answer, s.ready = nil, time.Now()
		switch [2]byte(w) {
		case [2]byte{0xF3, 0x2D}:
			s.answer = word(s.status)
		case [2]byte{0x30, 0x41}:
			s.status &^= statusReset
		case [2]byte{0x30, 0x66}:
			s.status &^= statusHeater
		case [2]byte{0x30, 0x93}:
			s.periodic = false
		case [2]byte{0x36, 0x82}:
			if s.nameless {
				return sensortest.NoAcknowledge
			}
			s.answer = append(word(0x0F5A), word(0x31C2)...)
		case [2]byte{0x24, 0x00}:
			if s.periodic {
				return sensortest.NoAcknowledge
			}
			s.answer, s.ready = s.frame, time.Now().Add(15*time.Millisecond)
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

func open(t *testing.T) (*Dev, *simulated, *sensortest.Bus) {
	t.Helper()
	bus, part := sensortest.NewBus("I2C1"), &simulated{frame: unhex(t, frame22At80), status: statusReset}
	bus.Attach(0x44, part)
	d, err := New(bus, Options{})
	require.NoError(t, err)
	return d, part, bus
}

func TestConformance(t *testing.T) {
	for name, nameless := range map[string]bool{"original": false, "without serial number": true} {
		t.Run(name, func(t *testing.T) {
			sensortest.Run(t, sensortest.Rig{
				ResetSeen: true,
				Open: func(t *testing.T) sensortest.Bench {
					d, part, bus := open(t)
					part.nameless = nameless
					return sensortest.Bench{
						Sensor: d,
						Want:   map[sensors.Channel]float64{sensors.Temperature: 22.5, sensors.Humidity: 80},
						Heal:   func() { part.frame = unhex(t, frame22At80); bus.Heal() },
						Absent: func() { bus.Unplug(0x44) },
						Silent: bus.Block,
						Slow:   bus.Delay,
						Garbled: append(
							sensortest.Flips(48, func(bit int) { bus.Flip(6, bit) }),    // measurement and serial number
							sensortest.Flips(24, func(bit int) { bus.Flip(3, bit) })..., // status
						),
						Implausible: map[string]func(){
							"all ones":  func() { part.frame = unhex(t, highest) },
							"all zeros": func() { part.frame = unhex(t, lowest) },
						},
						Reset:       func() { bus.Power(0x44) },
						ResetMidway: func() { bus.ResetAt(4, 0x44) }, // between the command to measure and its answer
						FailAt:      bus.FailAt,
					}
				},
			})
		})
	}
}

func TestFrames(t *testing.T) {
	for _, c := range []struct {
		frame             string
		celsius, humidity float64
	}{
		{frame25At50, 25, 50}, {frame22At80, 22.5, 80},
	} {
		reading, err := formula(accuracy[""]).Reading(unhex(t, c.frame))
		require.NoError(t, err)
		assert.InDelta(t, c.celsius, reading.Values[0].Value, 0.002)
		assert.InDelta(t, c.humidity, reading.Values[1].Value, 0.002)
	}
	assert.Equal(t, 0., Humidity(0))
	assert.Equal(t, 100., Humidity(0xFFFF))
}

// The exact exchange after power-on: status with the reset bit, identity, bit cleared, one measurement. A later reset shows
// in the status, is reported once, and is cleared again.
func TestExchange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		setUp := []i2ctest.IO{
			{Addr: 0x44, W: []byte{0xF3, 0x2D}},
			{Addr: 0x44, R: word(0x8010)},
			{Addr: 0x44, W: []byte{0x36, 0x82}},
			{Addr: 0x44, R: append(word(0x0F5A), word(0x31C2)...)},
			{Addr: 0x44, W: []byte{0x30, 0x41}},
			{Addr: 0x44, W: []byte{0x24, 0x00}},
			{Addr: 0x44, R: unhex(t, frame25At50)},
		}
		settled := []i2ctest.IO{
			{Addr: 0x44, W: []byte{0xF3, 0x2D}},
			{Addr: 0x44, R: word(0x0000)},
			{Addr: 0x44, W: []byte{0x24, 0x00}},
			{Addr: 0x44, R: unhex(t, frame22At80)},
		}
		bus := &i2ctest.Playback{DontPanic: true, Ops: append(append(append([]i2ctest.IO{}, setUp...), settled...), setUp...)}
		d, err := New(bus, Options{Part: "SHT35"})
		require.NoError(t, err)
		for _, want := range []sensors.Measurement{{First: true}, {}, {First: true, Reset: true}} {
			reading, err := d.Read(t.Context())
			require.NoError(t, err)
			require.Equal(t, want.First, reading.First)
			require.Equal(t, want.Reset, reading.Reset)
		}
		require.Equal(t, "SHT35 serial 0x0f5a31c2", d.Describe().Part)
		require.NoError(t, bus.Close())
	})
}

func TestHeaterLeftOnIsSwitchedOffAndReported(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, part, _ := open(t)
		part.status |= statusHeater
		reading, err := d.Read(t.Context())
		require.NoError(t, err)
		require.True(t, reading.Heated)
		require.Zero(t, part.status&statusHeater)
		time.Sleep(5 * time.Minute)
		reading, err = d.Read(t.Context())
		require.NoError(t, err)
		require.False(t, reading.Heated)
	})
}

func TestPeriodicModeLeftOnIsStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, part, _ := open(t)
		part.periodic = true
		_, err := d.Read(t.Context())
		require.NoError(t, err)
		require.False(t, part.periodic)
	})
}

func TestNewRefuses(t *testing.T) {
	bus := sensortest.NewBus("I2C1")
	_, err := New(bus, Options{Address: 0x46})
	require.ErrorContains(t, err, "0x44 or 0x45")
	_, err = New(bus, Options{Part: "SHT45"})
	require.ErrorContains(t, err, `part "SHT45" is not SHT30, SHT31 or SHT35`)
}

func FuzzReading(f *testing.F) {
	for _, frame := range []string{frame25At50, frame22At80, lowest, highest, "000000000000", "ffffffffffff", ""} {
		f.Add(unhex(f, frame))
	}
	formula := formula(accuracy[""])
	f.Fuzz(func(t *testing.T, frame []byte) {
		reading, err := formula.Reading(frame)
		require.Equal(t, frame, reading.Evidence)
		if err != nil {
			require.Empty(t, reading.Values)
			require.NotEqual(t, sensors.Unknown, sensors.KindOf(err))
			return
		}
		require.Len(t, frame, 6)
		require.Equal(t, chip.CRC8(0xFF, frame[0], frame[1]), frame[2])
		require.Equal(t, chip.CRC8(0xFF, frame[3], frame[4]), frame[5])
		require.NoError(t, chip.Check(formula.Measures, reading.Values))
	})
}
