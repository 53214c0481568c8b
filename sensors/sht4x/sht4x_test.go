package sht4x

import (
	"context"
	"encoding/hex"
	"math"
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
	frame25At50  = "66669372b0dc" // 25.0 °C, 50 %RH
	frame22At80  = "62beadb02096" // 22.5 °C, 80 %RH
	frame24At106 = "64f0d5e55fd0" // 24.0 °C, 106 %RH: saturation as the part shows it
	lowest       = "000081000081" // −45 °C, −6 %RH
	highest      = "ffffacffffac" // 130 °C, 119 %RH
)

func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	require.NoError(t, err)
	return b
}

// serial is the invented serial number 0x0f5a31c2 as the part sends it.
func serial() []byte {
	return []byte{0x0F, 0x5A, chip.CRC8(0xFF, 0x0F, 0x5A), 0x31, 0xC2, chip.CRC8(0xFF, 0x31, 0xC2)}
}

// simulated is an SHT4x: it refuses to be read before it has finished, and after it has been read.
type simulated struct {
	frame   []byte
	answer  []byte
	ready   time.Time
	pulses  int
	refuses bool // the heater command is not obeyed
}

func (s *simulated) Reset() { s.answer = nil }

func (s *simulated) Exchange(w, r []byte) error {
	if len(w) == 1 {
		switch w[0] {
		case 0x89:
			s.answer, s.ready = serial(), time.Now()
		case 0xFD:
			s.answer, s.ready = s.frame, time.Now().Add(8300*time.Microsecond)
		case 0x32:
			if s.refuses {
				return sensortest.NoAcknowledge
			}
			s.pulses++
			s.answer, s.ready = s.frame, time.Now().Add(110*time.Millisecond)
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

func open(t *testing.T, options Options) (*Dev, *simulated, *sensortest.Bus) {
	t.Helper()
	bus, part := sensortest.NewBus("I2C1"), &simulated{frame: unhex(t, frame22At80)}
	bus.Attach(0x44, part)
	d, err := New(bus, options)
	require.NoError(t, err)
	return d, part, bus
}

func TestConformance(t *testing.T) {
	sensortest.Run(t, sensortest.Rig{
		Open: func(t *testing.T) sensortest.Bench {
			d, part, bus := open(t, Options{})
			return sensortest.Bench{
				Sensor:  d,
				Want:    map[sensors.Channel]float64{sensors.Temperature: 22.5, sensors.Humidity: 80},
				Heal:    func() { part.frame = unhex(t, frame22At80); bus.Heal() },
				Absent:  func() { bus.Unplug(0x44) },
				Silent:  bus.Block,
				Slow:    bus.Delay,
				Garbled: sensortest.Flips(48, func(bit int) { bus.Flip(6, bit) }),
				Implausible: map[string]func(){
					"all ones":  func() { part.frame = unhex(t, highest) },
					"all zeros": func() { part.frame = unhex(t, lowest) },
				},
				Reset:       func() { bus.Power(0x44) },
				ResetMidway: func() { bus.ResetAt(2, 0x44) },
				FailAt:      bus.FailAt,
			}
		},
	})
}

func TestFrames(t *testing.T) {
	for _, c := range []struct {
		frame             string
		celsius, humidity float64
	}{
		{frame25At50, 25, 50}, {frame22At80, 22.5, 80}, {frame24At106, 24, 106},
	} {
		reading, err := formula(accuracy[""]).Reading(unhex(t, c.frame))
		require.NoError(t, err)
		assert.InDelta(t, c.celsius, reading.Values[0].Value, 0.002)
		assert.InDelta(t, c.humidity, reading.Values[1].Value, 0.002)
	}
	// The ends of the formulas (SHT4x datasheet v6); as temperatures both are outside the part's range.
	assert.Equal(t, -6., Humidity(0))
	assert.Equal(t, 119., Humidity(0xFFFF))
	for _, frame := range []string{lowest, highest} {
		_, err := formula(accuracy[""]).Reading(unhex(t, frame))
		assert.Equal(t, sensors.Implausible, sensors.KindOf(err))
	}
}

// The exact exchange: the identity once, then one command and one read for each measurement, and no clock stretching.
func TestExchange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
			{Addr: 0x45, W: []byte{0x89}},
			{Addr: 0x45, R: serial()},
			{Addr: 0x45, W: []byte{0xFD}},
			{Addr: 0x45, R: unhex(t, frame25At50)},
			{Addr: 0x45, W: []byte{0xFD}},
			{Addr: 0x45, R: unhex(t, frame24At106)},
		}}
		d, err := New(bus, Options{Address: 0x45, Part: "SHT45"})
		require.NoError(t, err)
		require.Equal(t, "SHT45", d.Describe().Part)

		reading, err := d.Read(t.Context())
		require.NoError(t, err)
		require.True(t, reading.First)
		require.Equal(t, uint64(0x6666), reading.Values[0].Raw)
		require.Equal(t, uint64(0x72B0), reading.Values[1].Raw)
		require.Equal(t, unhex(t, frame25At50), reading.Evidence)
		require.Equal(t, "SHT45 serial 0x0f5a31c2", d.Describe().Part)

		reading, err = d.Read(t.Context())
		require.NoError(t, err)
		require.False(t, reading.First)
		require.InDelta(t, 106, reading.Values[1].Value, 0.002, "not clamped")
		require.NoError(t, bus.Close())
	})
}

func TestNewRefuses(t *testing.T) {
	bus := sensortest.NewBus("I2C1")
	for _, c := range []struct {
		options Options
		want    string
	}{
		{Options{Address: 0x23}, "0x44, 0x45 or 0x46"},
		{Options{Part: "SHT31"}, `part "SHT31" is not SHT40, SHT41 or SHT45`},
		{Options{Heater: &Heater{Above: 40}}, "between 80 and 100"},
		{Options{Heater: &Heater{Every: -1}}, "negative"},
	} {
		_, err := New(bus, c.options)
		require.ErrorContains(t, err, c.want)
	}
}

// read reads each minute for so long, and returns how many pulses were given, and how many readings were heated.
func read(t *testing.T, d *Dev, part *simulated, span time.Duration) (pulses, heated int) {
	t.Helper()
	before := part.pulses
	for range int(span / time.Minute) {
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		reading, err := d.Read(ctx)
		cancel()
		require.NoError(t, err)
		if reading.Heated {
			heated++
		}
		time.Sleep(time.Minute)
	}
	return part.pulses - before, heated
}

func TestHeaterIsOffUnlessAskedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, part, _ := open(t, Options{})
		part.frame = unhex(t, frame24At106)
		pulses, heated := read(t, d, part, 12*time.Hour)
		require.Zero(t, pulses)
		require.Zero(t, heated)
	})
}

func TestHeaterPulsesInLongHumidity(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, part, _ := open(t, Options{Heater: &Heater{Above: 85, For: time.Hour, Every: time.Second}})
		part.frame = unhex(t, frame22At80)
		pulses, _ := read(t, d, part, 3*time.Hour)
		require.Zero(t, pulses, "80 %RH is below the limit")

		part.frame = unhex(t, frame24At106)
		pulses, _ = read(t, d, part, time.Hour)
		require.Zero(t, pulses, "not humid for an hour yet")
		pulses, heated := read(t, d, part, time.Hour)
		// Every 10 minutes whatever the options say; after each, the readings of the next five minutes are marked: four, as
		// the fifth comes just after them.
		require.InDelta(t, 6, pulses, 1)
		require.InDelta(t, 4*pulses, heated, 4)

		part.frame = unhex(t, frame22At80)
		read(t, d, part, 10*time.Minute)
		part.frame = unhex(t, frame24At106)
		pulses, _ = read(t, d, part, 59*time.Minute)
		require.Zero(t, pulses, "a dry spell starts the hour again")
	})
}

func TestHeaterStaysOffWhenHotOrShortOfTimeOrBlind(t *testing.T) {
	word := func(v uint16) []byte { return []byte{byte(v >> 8), byte(v), chip.CRC8(0xFF, byte(v>>8), byte(v))} }
	hot := append(word(uint16(math.Ceil((66.+45)/175*65535))), word(0xE55F)...)
	options := Options{Heater: &Heater{For: 5 * time.Minute}}

	synctest.Test(t, func(t *testing.T) {
		d, part, _ := open(t, options)
		part.frame = hot
		pulses, _ := read(t, d, part, 2*time.Hour)
		require.Zero(t, pulses, "above 65 °C")
	})
	synctest.Test(t, func(t *testing.T) {
		d, part, _ := open(t, options)
		part.frame = unhex(t, frame24At106)
		for range 60 {
			ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
			_, err := d.Read(ctx)
			cancel()
			require.NoError(t, err)
			time.Sleep(time.Minute)
		}
		require.Zero(t, part.pulses, "a pulse does not fit before the deadline")
	})
	synctest.Test(t, func(t *testing.T) {
		d, part, _ := open(t, options)
		part.frame = unhex(t, frame24At106)
		for range 10 {
			read(t, d, part, time.Minute)
			time.Sleep(time.Hour)
		}
		require.Zero(t, part.pulses, "no read happened in the hours between")
	})
}

// A failed pulse costs no reading, and is reported.
func TestHeaterFailureIsReported(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, part, _ := open(t, Options{Heater: &Heater{For: time.Minute}})
		part.frame, part.refuses = unhex(t, frame24At106), true
		read(t, d, part, 10*time.Minute)
		require.Len(t, d.Describe().Notes, 1)
		require.Contains(t, d.Describe().Notes[0], "heater pulse")
	})
}

func FuzzReading(f *testing.F) {
	for _, frame := range []string{frame25At50, frame22At80, frame24At106, lowest, highest, "000000000000", "ffffffffffff", ""} {
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
