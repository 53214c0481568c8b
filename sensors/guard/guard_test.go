package guard

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/sensortest"
)

var description = sensors.Description{
	Driver: "rogue", Part: "rogue", Where: "fake 0x10",
	Measures: []sensors.Measure{
		{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.1, Accuracy: 0.5},
	},
	MinimumInterval: time.Second,
	Notes:           []string{"a note"},
}

func celsius(v float64) sensors.Measurement {
	return sensors.Measurement{Values: []sensors.Value{{Channel: sensors.Temperature, Value: v, Raw: uint64(v * 10)}}}
}

// rogue is a driver as bad as the test wants it. It counts how often it was built.
type rogue struct {
	built int
	build func(bus *Recorder) error
	sense func(bus *Recorder) (sensors.Measurement, error)
}

func (r *rogue) guarded(change func(*Options)) (*Guarded, *sensortest.Bus) {
	bus := sensortest.NewBus("fake")
	bus.Attach(0x10, sensortest.Func{Answer: func(_, answer []byte) error {
		copy(answer, "\x12\x34")
		return nil
	}})
	options := Options{Description: description, Build: func(_ context.Context, bus *Recorder) (MeasureFunc, error) {
		r.built++
		if r.build != nil {
			if err := r.build(bus); err != nil {
				return nil, err
			}
		}
		return func(context.Context) (sensors.Measurement, error) { return r.sense(bus) }, nil
	}}
	if change != nil {
		change(&options)
	}
	return New(bus, options), bus
}

func TestDriverThatMisbehaves(t *testing.T) {
	answers := func(reading sensors.Measurement, err error) func(*Recorder) (sensors.Measurement, error) {
		return func(*Recorder) (sensors.Measurement, error) { return reading, err }
	}
	for _, c := range []struct {
		name  string
		sense func(*Recorder) (sensors.Measurement, error)
		kind  sensors.Kind
		text  string
		cause error
	}{
		{
			name:  "panics",
			sense: func(*Recorder) (sensors.Measurement, error) { panic("nil options") },
			text:  "the driver panicked: nil options",
		},
		{
			name: "formats the errno away",
			sense: func(bus *Recorder) (sensors.Measurement, error) {
				return sensors.Measurement{}, fmt.Errorf("rogue: %v", bus.Tx(0x11, nil, make([]byte, 1)))
			},
			kind: sensors.Absent, text: "the driver says: rogue:", cause: sensortest.NoAcknowledge,
		},
		{
			name: "replaces the error",
			sense: func(bus *Recorder) (sensors.Measurement, error) {
				_ = bus.Tx(0x11, nil, make([]byte, 1))
				return sensors.Measurement{}, errors.New("timeout, all devices busy, checksum wrong")
			},
			kind: sensors.Absent, cause: sensortest.NoAcknowledge,
		},
		{
			name: "swallows a bus error and answers",
			sense: func(bus *Recorder) (sensors.Measurement, error) {
				_ = bus.Tx(0x11, nil, make([]byte, 1))
				return celsius(20), nil
			},
			kind: sensors.Absent, cause: sensortest.NoAcknowledge,
		},
		{name: "names a kind of its own", sense: answers(sensors.Measurement{}, sensors.Errorf(sensors.Checksum, "wrong CRC")), kind: sensors.Checksum},
		{name: "has lost its settings", sense: answers(celsius(0), fmt.Errorf("register 0: %w", ErrReset)), kind: sensors.Implausible, cause: ErrReset},
		{name: "leaves an empty environment", sense: answers(celsius(-273.15), nil), kind: sensors.Implausible, text: "outside the part's range"},
		{name: "too hot", sense: answers(celsius(125.1), nil), kind: sensors.Implausible},
		{name: "no number", sense: answers(celsius(math.NaN()), nil), kind: sensors.Implausible},
		{name: "infinite", sense: answers(celsius(math.Inf(1)), nil), kind: sensors.Implausible},
		{name: "no value", sense: answers(sensors.Measurement{}, nil), kind: sensors.Implausible, text: "0 values, want 1"},
		{
			name:  "another channel",
			sense: answers(sensors.Measurement{Values: []sensors.Value{{Channel: sensors.Humidity, Value: 50}}}, nil),
			kind:  sensors.Implausible, text: "no temperature",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			driver := &rogue{sense: c.sense}
			sensor, _ := driver.guarded(nil)
			reading, err := sensor.Read(t.Context())
			require.Error(t, err)
			require.Empty(t, reading.Values)
			require.Equal(t, c.kind, sensors.KindOf(err), "%v", err)
			require.ErrorContains(t, err, "reading rogue at fake 0x10")
			require.ErrorContains(t, err, c.text)
			if c.cause != nil {
				require.ErrorIs(t, err, c.cause)
			}

			driver.sense = answers(celsius(21), nil)
			reading, err = sensor.Read(t.Context())
			require.NoError(t, err)
			require.Equal(t, 2, driver.built, "built again after the failure")
			require.True(t, reading.First)
			_, err = sensor.Read(t.Context())
			require.NoError(t, err)
			require.Equal(t, 2, driver.built, "and only then")
		})
	}
}

func TestSwallowedErrorWhileBuilding(t *testing.T) {
	driver := &rogue{
		build: func(bus *Recorder) error { _ = bus.Tx(0x11, nil, make([]byte, 1)); return nil },
		sense: func(*Recorder) (sensors.Measurement, error) { return celsius(20), nil },
	}
	sensor, _ := driver.guarded(nil)
	_, err := sensor.Read(t.Context())
	require.ErrorIs(t, err, sensortest.NoAcknowledge)

	// A transfer whose failure is no news goes past the recorder.
	driver.build = func(bus *Recorder) error { _ = bus.Bare().Tx(0x11, []byte{0}, nil); return nil }
	_, err = sensor.Read(t.Context())
	require.NoError(t, err)
}

func TestEvidence(t *testing.T) {
	driver := &rogue{sense: func(bus *Recorder) (sensors.Measurement, error) {
		return sensors.Measurement{}, errors.Join(bus.Tx(0x10, []byte{0}, make([]byte, 2)), sensors.Errorf(sensors.Checksum, "wrong"))
	}}
	sensor, _ := driver.guarded(nil)
	reading, err := sensor.Read(t.Context())
	require.Equal(t, sensors.Checksum, sensors.KindOf(err))
	require.Equal(t, []byte{0x12, 0x34}, reading.Evidence)
}

func TestOneCallAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out, most atomic.Int32
		free := make(chan struct{})
		driver := &rogue{sense: func(*Recorder) (sensors.Measurement, error) {
			most.Store(max(most.Load(), out.Add(1)))
			defer out.Add(-1)
			<-free
			return celsius(20), nil
		}}
		sensor, _ := driver.guarded(nil)
		for range 5 {
			start := time.Now()
			ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
			_, err := sensor.Read(ctx)
			cancel()
			require.Equal(t, sensors.Timeout, sensors.KindOf(err))
			require.ErrorIs(t, err, context.DeadlineExceeded)
			require.Equal(t, 3*time.Second, time.Since(start))
		}
		require.EqualValues(t, 1, out.Load())
		close(free)
		// What the straggler brings belongs to a reader that has left; this one gets its own, from a new device.
		_, err := sensor.Read(t.Context())
		require.NoError(t, err)
		require.EqualValues(t, 1, most.Load())
		require.Equal(t, 2, driver.built)
	})
}

func TestSharedTurn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		turn := NewTurn()
		free := make(chan struct{})
		hung := &rogue{sense: func(*Recorder) (sensors.Measurement, error) { <-free; return celsius(20), nil }}
		well := &rogue{sense: func(*Recorder) (sensors.Measurement, error) { return celsius(21), nil }}
		share := func(o *Options) { o.Turn = turn }
		a, _ := hung.guarded(share)
		b, _ := well.guarded(share)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := a.Read(ctx)
		require.Equal(t, sensors.Timeout, sensors.KindOf(err))
		later, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err = b.Read(later)
		require.Equal(t, sensors.Timeout, sensors.KindOf(err))
		require.ErrorContains(t, err, "an earlier read has not come back")
		close(free)
		_, err = b.Read(t.Context())
		require.NoError(t, err)
	})
}

func TestResetIsReportedOnce(t *testing.T) {
	answer := error(ErrReset)
	driver := &rogue{}
	driver.sense = func(*Recorder) (sensors.Measurement, error) { return celsius(20), answer }
	sensor, _ := driver.guarded(nil)
	_, err := sensor.Read(t.Context())
	require.ErrorIs(t, err, ErrReset)
	answer = nil
	reading, err := sensor.Read(t.Context())
	require.NoError(t, err)
	require.False(t, reading.Reset, "there was no read before, so nothing was lost since")

	answer = ErrReset
	_, err = sensor.Read(t.Context())
	require.ErrorIs(t, err, ErrReset)
	answer = errors.New("not yet")
	_, err = sensor.Read(t.Context())
	require.Error(t, err)
	answer = nil
	reading, err = sensor.Read(t.Context())
	require.NoError(t, err)
	require.True(t, reading.Reset)
	require.True(t, reading.First)
	reading, err = sensor.Read(t.Context())
	require.NoError(t, err)
	require.False(t, reading.Reset || reading.First)
}

func TestNotReadyKeepsTheDevice(t *testing.T) {
	answer := error(ErrNotReady)
	driver := &rogue{}
	driver.sense = func(*Recorder) (sensors.Measurement, error) { return celsius(20), answer }
	sensor, _ := driver.guarded(func(o *Options) { o.Repeat = 2 })
	for range 3 {
		_, err := sensor.Read(t.Context())
		require.Equal(t, sensors.Busy, sensors.KindOf(err))
	}
	answer = nil
	reading, err := sensor.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, driver.built)
	require.True(t, reading.First, "the first measurement, though not the first read")
}

func TestRepeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		left, calls := 2, 0
		driver := &rogue{}
		driver.sense = func(*Recorder) (sensors.Measurement, error) {
			if calls++; left > 0 {
				left--
				return sensors.Measurement{}, sensors.Errorf(sensors.Checksum, "wrong")
			}
			return celsius(20), nil
		}
		sensor, _ := driver.guarded(func(o *Options) { o.Repeat = 2 })
		start := time.Now()
		_, err := sensor.Read(t.Context())
		require.NoError(t, err)
		require.Equal(t, 3, calls)
		require.Equal(t, 2*apart, time.Since(start))

		left = 10
		_, err = sensor.Read(t.Context())
		require.Equal(t, sensors.Checksum, sensors.KindOf(err))
		require.Equal(t, 7, left)

		// When time is up during a repetition, the failure before it says more.
		driver.sense = func(*Recorder) (sensors.Measurement, error) {
			time.Sleep(100 * time.Millisecond)
			return sensors.Measurement{}, sensors.Errorf(sensors.Checksum, "wrong")
		}
		ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
		defer cancel()
		_, err = sensor.Read(ctx)
		require.Equal(t, sensors.Checksum, sensors.KindOf(err))
		synctest.Wait()
		time.Sleep(time.Second)
	})
}

func TestSpacing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var at []time.Duration
		start := time.Now()
		driver := &rogue{sense: func(*Recorder) (sensors.Measurement, error) {
			at = append(at, time.Since(start))
			return celsius(20), nil
		}}
		sensor, _ := driver.guarded(func(o *Options) { o.Spacing = 2 * time.Second })
		for range 3 {
			_, err := sensor.Read(t.Context())
			require.NoError(t, err)
		}
		require.Equal(t, []time.Duration{0, 2 * time.Second, 4 * time.Second}, at)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := sensor.Read(ctx)
		require.Equal(t, sensors.Timeout, sensors.KindOf(err))
		require.Len(t, at, 3)
		require.Equal(t, 1, driver.built, "waiting is no failure of the device")
	})
}

func TestCloseAndEndedContext(t *testing.T) {
	driver := &rogue{sense: func(*Recorder) (sensors.Measurement, error) { return celsius(20), nil }}
	sensor, _ := driver.guarded(nil)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := sensor.Read(ended)
	require.Equal(t, sensors.Timeout, sensors.KindOf(err))
	require.Zero(t, driver.built)

	require.NoError(t, sensor.Close())
	require.NoError(t, sensor.Close())
	_, err = sensor.Read(t.Context())
	require.ErrorIs(t, err, os.ErrClosed)

	d := sensor.Describe()
	d.Measures[0].High, d.Notes[0] = 0, ""
	require.Equal(t, description, sensor.Describe(), "callers must not be able to change it")
}

func TestRecorder(t *testing.T) {
	bus := sensortest.NewBus("fake")
	bus.Attach(0x10, sensortest.Func{Answer: func(_, r []byte) error { copy(r, "\x01\x02"); return nil }})
	r := &Recorder{bus: bus}
	require.Equal(t, "fake", r.String())
	require.NoError(t, r.SetSpeed(0))
	bus.FailAt(1, syscall.EREMOTEIO)
	bus.FailAt(2, syscall.ETIMEDOUT)
	require.ErrorIs(t, r.Tx(0x10, []byte{0}, nil), syscall.EREMOTEIO)
	require.ErrorIs(t, r.Tx(0x10, []byte{0}, nil), syscall.ETIMEDOUT)
	require.ErrorIs(t, r.Err(), syscall.EREMOTEIO, "the first, which caused the rest")
	answer := make([]byte, 2)
	require.NoError(t, r.Tx(0x10, []byte{0}, answer))
	answer[0] = 9
	require.Equal(t, []byte{1, 2}, r.Evidence())
	r.begin()
	require.NoError(t, r.Err())
	require.Nil(t, r.Evidence())
}
