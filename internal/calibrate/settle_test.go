package calibrate_test

import (
	"context"
	"errors"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/calibrate"
	"dewline/sensors"
)

// invented is a sensor whose values are a function of the time since its first read.
type invented struct {
	resolution float64
	at         func(since time.Duration) (sensors.Measurement, error)
	began      time.Time
	closed     bool
}

func (s *invented) Describe() sensors.Description {
	return sensors.Description{Driver: "invented", Measures: []sensors.Measure{
		{Channel: sensors.Temperature, Low: -55, High: 125, Resolution: s.resolution},
	}}
}

func (s *invented) Read(context.Context) (sensors.Measurement, error) {
	if s.began.IsZero() {
		s.began = time.Now()
	}
	return s.at(time.Since(s.began))
}

func (s *invented) Close() error {
	s.closed = true
	return nil
}

func values(celsius float64) (sensors.Measurement, error) {
	return sensors.Measurement{Values: []sensors.Value{{Channel: sensors.Temperature, Value: celsius}}}, nil
}

// approaching goes from 22 °C to a value as a probe in slush does, in the steps of a DS18B20.
func approaching(to float64, tau time.Duration) func(time.Duration) (sensors.Measurement, error) {
	return func(since time.Duration) (sensors.Measurement, error) {
		v := to + (22-to)*math.Exp(-since.Seconds()/tau.Seconds())
		return values(math.Round(v*16) / 16)
	}
}

var ice = calibrate.Rule{Window: 15 * time.Minute, Drift: 0.05, Scatter: 0.05, Within: 2 * time.Hour}

func TestSettlesInIce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sensor := &invented{resolution: 0.0625, at: approaching(0.31, 2*time.Minute)}
		begin := time.Now()
		var reported []calibrate.Progress
		taken, err := calibrate.Settle(t.Context(), calibrate.Options{
			ID: "tub-1-probe", Sensor: sensor, Channel: sensors.Temperature, Rule: ice,
			Progress: func(p calibrate.Progress) { reported = append(reported, p) },
		})
		require.NoError(t, err)
		assert.True(t, sensor.closed)
		mean := 0.0
		for _, v := range taken.Readings {
			mean += v / float64(len(taken.Readings))
		}
		assert.InDelta(t, 0.3125, mean, 0.0625, "the step nearest to 0.31 °C")
		assert.InDelta(t, 181, len(taken.Readings), 1, "15 minutes of reads 5 s apart, both ends counted")
		assert.InDelta(t, mean, taken.Temperature, 1e-9)
		took := time.Since(begin)
		assert.Greater(t, took, 20*time.Minute, "the fall from 22 °C is not in the window")
		assert.Less(t, took, 45*time.Minute)
		assert.LessOrEqual(t, math.Abs(taken.Drift), 0.0625)
		assert.Len(t, reported, int(took/(5*time.Second))+1)
		assert.Equal(t, took, reported[len(reported)-1].Elapsed)
	})
}

// Without a movement at all it takes the window and no more.
func TestWindowIsFilledFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sensor := &invented{at: func(time.Duration) (sensors.Measurement, error) { return values(0.25) }}
		begin := time.Now()
		_, err := calibrate.Settle(t.Context(), calibrate.Options{ID: "a", Sensor: sensor, Channel: sensors.Temperature, Rule: ice})
		require.NoError(t, err)
		assert.Equal(t, 15*time.Minute-5*time.Second, time.Since(begin))
	})
}

// What keeps moving, or scatters, or falls silent is refused with the reason.
func TestWhatDoesNotStandStill(t *testing.T) {
	for name, test := range map[string]struct {
		at   func(time.Duration) (sensors.Measurement, error)
		want string
	}{
		"melting": {
			func(since time.Duration) (sensors.Measurement, error) { return values(0.3 + since.Hours()) },
			`did not stand still within 2h0m0s: in the last 15m0s it moved by 0.25 K`,
		},
		"scatter": {
			func(since time.Duration) (sensors.Measurement, error) { return values(math.Sin(float64(since))) },
			`did not stand still within 2h0m0s`,
		},
		"silent": {
			func(time.Duration) (sensors.Measurement, error) {
				return sensors.Measurement{}, sensors.Errorf(sensors.Absent, "reading it")
			},
			`a has failed 10 times one after another: reading it: absent`,
		},
		"other channel": {
			func(time.Duration) (sensors.Measurement, error) {
				return sensors.Measurement{Values: []sensors.Value{{Channel: sensors.Humidity, Value: 75}}}, nil
			},
			`a gives no temperature`,
		},
		"loose wire": {
			func(since time.Duration) (sensors.Measurement, error) {
				if since%(10*time.Minute) < 30*time.Second {
					return sensors.Measurement{}, sensors.Errorf(sensors.Checksum, "reading it")
				}
				return values(0.25)
			},
			`a was not read long enough without a break within 2h0m0s`,
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				sensor := &invented{at: test.at}
				taken, err := calibrate.Settle(t.Context(), calibrate.Options{ID: "a", Sensor: sensor, Channel: sensors.Temperature, Rule: ice})
				require.ErrorContains(t, err, test.want)
				assert.Nil(t, taken)
				assert.True(t, sensor.closed)
			})
		})
	}
}

// Reads that a part itself marks as untrue are left out, and do not count as failures.
func TestHeatedReadsAreLeftOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		sensor := &invented{at: func(since time.Duration) (sensors.Measurement, error) {
			n++
			r, err := values(0.25)
			switch n % 5 {
			case 0:
				r.Values[0].Value, r.Heated = 40, true
			case 1:
				r.Values[0].Value, r.First = 85, true
			}
			return r, err
		}}
		taken, err := calibrate.Settle(t.Context(), calibrate.Options{ID: "a", Sensor: sensor, Channel: sensors.Temperature, Rule: ice})
		require.NoError(t, err)
		for _, v := range taken.Readings {
			require.Equal(t, 0.25, v)
		}
	})
}

func TestStopsWhenItsContextEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		sensor := &invented{at: func(time.Duration) (sensors.Measurement, error) { return values(0.25) }}
		_, err := calibrate.Settle(ctx, calibrate.Options{ID: "a", Sensor: sensor, Channel: sensors.Temperature, Rule: ice})
		require.EqualError(t, err, "stopped before the readings of a stood still: nothing is changed")
		assert.True(t, sensor.closed)
	})
}

// A read that hangs in the kernel is outlived.
func TestHungRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		sensor := &invented{at: func(time.Duration) (sensors.Measurement, error) {
			<-release
			return sensors.Measurement{}, errors.New("too late")
		}}
		_, err := calibrate.Settle(t.Context(), calibrate.Options{ID: "a", Sensor: sensor, Channel: sensors.Temperature, Rule: ice})
		close(release)
		synctest.Wait()
		require.ErrorContains(t, err, "a has failed 10 times one after another")
	})
}

func TestWhatCannotBe(t *testing.T) {
	sensor := &invented{}
	_, err := calibrate.Settle(t.Context(), calibrate.Options{ID: "a", Sensor: sensor, Channel: sensors.Temperature, Rule: ice, Every: 5 * time.Minute})
	require.ErrorContains(t, err, "a window of 15m0s holds too few reads 5m0s apart")
	short := ice
	short.Within = time.Minute
	_, err = calibrate.Settle(t.Context(), calibrate.Options{ID: "a", Sensor: sensor, Channel: sensors.Temperature, Rule: short})
	require.EqualError(t, err, "a cannot be seen to stand still for 15m0s within 1m0s: allow more time")
}
