package aht20

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

// recorded is the frame of the tests of the driver aht20 in periph.io/x/devices: 19.445801 °C, 45.82824 %RH.
var recorded = []byte{0x18, 0x75, 0x52, 0x05, 0x8E, 0x40, 0x7F}

func frame(b ...byte) []byte { return append(b, chip.CRC8(0xFF, b...)) }

// simulated is an AHT20 that must be initialised after power-on.
type simulated struct {
	frame      []byte
	calibrated bool
	stuck      bool // initialising does not help
	ready      time.Time
	measured   bool
}

func (s *simulated) Reset() { s.calibrated, s.measured, s.ready = false, false, time.Time{} }

func (s *simulated) status() byte {
	status := byte(0x10)
	if s.calibrated {
		status |= statusCalibrated
	}
	if time.Now().Before(s.ready) {
		status |= statusBusy
	}
	return status
}

func (s *simulated) Exchange(w, r []byte) error {
	if len(w) > 0 {
		switch w[0] {
		case 0x71:
			r[0] = s.status()
			return nil
		case 0xBE:
			s.calibrated = !s.stuck
		case 0xAC:
			s.ready, s.measured = time.Now().Add(79*time.Millisecond), true
		default:
			return sensortest.NoAcknowledge
		}
	}
	if len(r) == frameLength {
		answer := frame(s.status(), 0, 0, 0, 0, 0)
		if s.measured && s.status()&(statusBusy|statusCalibrated) == statusCalibrated {
			answer = s.frame
		}
		copy(r, answer)
	}
	return nil
}

func open(t *testing.T) (*Dev, *simulated, *sensortest.Bus) {
	t.Helper()
	bus, part := sensortest.NewBus("I2C1"), &simulated{frame: recorded}
	bus.Attach(0x38, part)
	d, err := New(bus, Options{})
	require.NoError(t, err)
	return d, part, bus
}

func TestConformance(t *testing.T) {
	sensortest.Run(t, sensortest.Rig{
		ResetSeen: true,
		Open: func(t *testing.T) sensortest.Bench {
			d, part, bus := open(t)
			return sensortest.Bench{
				Sensor:  d,
				Want:    map[sensors.Channel]float64{sensors.Temperature: 19.445801, sensors.Humidity: 45.82824},
				Heal:    func() { part.frame = recorded; bus.Heal() },
				Absent:  func() { bus.Unplug(0x38) },
				Silent:  bus.Block,
				Slow:    bus.Delay,
				Garbled: sensortest.Flips(56, func(bit int) { bus.Flip(frameLength, bit) }),
				Implausible: map[string]func(){
					"never measured":    func() { part.frame = frame(0x18, 0, 0, 0, 0, 0) },
					"hotter than rated": func() { part.frame = frame(0x18, 0x75, 0x52, 0x0F, 0xFF, 0xFF) },
				},
				Reset:       func() { bus.Power(0x38) },
				ResetMidway: func() { bus.ResetAt(3, 0x38) }, // between the command to measure and its answer
				FailAt:      bus.FailAt,
			}
		},
	})
}

func TestDecode(t *testing.T) {
	values, err := Decode(recorded)
	require.NoError(t, err)
	assert.InDelta(t, 19.445801, values[0].Value, 1e-6)
	assert.InDelta(t, 45.82824, values[1].Value, 1e-5)

	for name, c := range map[string]struct {
		frame []byte
		want  sensors.Kind
	}{
		"too short":    {recorded[:6], sensors.Implausible},
		"busy":         {frame(0x98, 0x75, 0x52, 0x05, 0x8E, 0x40), sensors.Busy},
		"uncalibrated": {frame(0x10, 0x75, 0x52, 0x05, 0x8E, 0x40), sensors.Implausible},
		"all ones":     {[]byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, sensors.Checksum},
		"all zeros":    {make([]byte, 7), sensors.Checksum},
	} {
		_, err := Decode(c.frame)
		assert.Equal(t, c.want, sensors.KindOf(err), name)
	}
}

// The exact exchange after power-on, and once more after that.
func TestExchange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
			{Addr: 0x38, W: []byte{0x71}, R: []byte{0x10}},
			{Addr: 0x38, W: []byte{0xBE, 0x08, 0x00}},
			{Addr: 0x38, W: []byte{0x71}, R: []byte{0x18}},
			{Addr: 0x38, W: []byte{0xAC, 0x33, 0x00}},
			{Addr: 0x38, R: frame(0x98, 0, 0, 0, 0, 0)}, // still busy
			{Addr: 0x38, R: recorded},
			{Addr: 0x38, W: []byte{0x71}, R: []byte{0x18}},
			{Addr: 0x38, W: []byte{0xAC, 0x33, 0x00}},
			{Addr: 0x38, R: recorded},
		}}
		d, err := New(bus, Options{})
		require.NoError(t, err)
		for range 2 {
			reading, err := d.Read(t.Context())
			require.NoError(t, err)
			require.Equal(t, recorded, reading.Evidence)
		}
		require.NoError(t, bus.Close())
	})
}

func TestCalibrationThatDoesNotComeIsReportedWithinTheDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, part, _ := open(t)
		part.stuck = true
		reading, err := d.Read(t.Context())
		require.Equal(t, sensors.Implausible, sensors.KindOf(err))
		require.ErrorContains(t, err, "not calibrated although initialised")
		require.NotEmpty(t, reading.Evidence)
	})
}

func FuzzDecode(f *testing.F) {
	f.Add(recorded)
	f.Add(frame(0x98, 0, 0, 0, 0, 0))
	f.Add(frame(0x18, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		values, err := Decode(b)
		if err != nil {
			require.Empty(t, values)
			require.NotEqual(t, sensors.Unknown, sensors.KindOf(err))
			return
		}
		require.Equal(t, chip.CRC8(0xFF, b[:6]...), b[6])
		require.NoError(t, chip.Check(measures, values))
	})
}
