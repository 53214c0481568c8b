package poll

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/intake"
	"dewline/sensors"
)

// fake is a sensor whose every read is a function of its number.
type fake struct {
	read    func(ctx context.Context, n int) (sensors.Measurement, error)
	minimum time.Duration
	reads   int
	reading atomic.Int32 // reads in flight
	most    atomic.Int32 // most reads in flight at a time
	closed  atomic.Int32
}

func (f *fake) Describe() sensors.Description { return sensors.Description{MinimumInterval: f.minimum} }

func (f *fake) Close() error { f.closed.Add(1); return nil }

func (f *fake) Read(ctx context.Context) (sensors.Measurement, error) {
	f.most.Store(max(f.most.Load(), f.reading.Add(1)))
	defer f.reading.Add(-1)
	n := f.reads
	f.reads++
	if f.read == nil {
		return sensors.Measurement{}, nil
	}
	return f.read(ctx, n)
}

// takes returns a read that takes d, or ends with an error when its context does.
func takes(d time.Duration) func(context.Context, int) (sensors.Measurement, error) {
	return func(ctx context.Context, _ int) (sensors.Measurement, error) {
		select {
		case <-time.After(d):
			return sensors.Measurement{}, nil
		case <-ctx.Done():
			return sensors.Measurement{}, sensors.Errorf(sensors.Timeout, "reading: %w", ctx.Err())
		}
	}
}

// log collects what a poller delivers, as seconds since the beginning.
type log struct {
	mutex   sync.Mutex
	start   time.Time
	samples map[string][]intake.Sample
}

func newLog() *log { return &log{start: time.Now(), samples: map[string][]intake.Sample{}} }

func (l *log) deliver(s intake.Sample) {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	l.samples[s.Sensor] = append(l.samples[s.Sensor], s)
}

// seconds returns the times of the samples of a sensor, good ones or failures of one kind.
func (l *log) seconds(sensor string, good bool, kind sensors.Kind) []float64 {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	times := []float64{}
	for _, s := range l.samples[sensor] {
		if (s.Err == nil) == good && (good || sensors.KindOf(s.Err) == kind) {
			times = append(times, s.At.Sub(l.start).Seconds())
		}
	}
	return times
}

func (l *log) good(sensor string) []float64 { return l.seconds(sensor, true, 0) }

// poll polls for so long, in a bubble, and returns what Run returned.
func polled(t *testing.T, l *log, last time.Duration, jobs ...Job) error {
	t.Helper()
	p, err := New(jobs, Options{Deliver: l.deliver})
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	var ended error
	var wg sync.WaitGroup
	wg.Go(func() { ended = p.Run(ctx) })
	time.Sleep(last)
	synctest.Wait()
	stop()
	wg.Wait()
	return ended
}

func TestPollerReadsAtOnceAndThenWithoutDrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		quick, slow := &fake{read: takes(700 * time.Millisecond)}, &fake{read: takes(time.Second)}
		require.NoError(t, polled(t, l, 42*time.Second,
			Job{ID: "quick", Bus: "one", Sensor: quick},
			Job{ID: "slow", Bus: "two", Sensor: slow, Every: 20 * time.Second}))
		assert.Equal(t, []float64{0.7, 10.7, 20.7, 30.7, 40.7}, l.good("quick"))
		assert.Equal(t, []float64{1, 21, 41}, l.good("slow"))
		assert.Equal(t, int32(1), quick.closed.Load())
		assert.Equal(t, int32(1), slow.closed.Load())
		assert.Equal(t, 700*time.Millisecond, l.samples["quick"][3].Took)
	})
}

func TestPollerReadsTheSensorsOfABusOneAfterAnother(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		var busy, most atomic.Int32
		read := func(context.Context, int) (sensors.Measurement, error) {
			most.Store(max(most.Load(), busy.Add(1)))
			time.Sleep(time.Second)
			busy.Add(-1)
			return sensors.Measurement{}, nil
		}
		require.NoError(t, polled(t, l, 14*time.Second,
			Job{ID: "a", Bus: "I2C1", Sensor: &fake{read: read}},
			Job{ID: "b", Bus: "I2C1", Sensor: &fake{read: read}},
			Job{ID: "c", Bus: "I2C1", Sensor: &fake{read: read}}))
		assert.Equal(t, int32(1), most.Load())
		assert.Equal(t, []float64{1, 11}, l.good("a"))
		assert.Equal(t, []float64{2, 12}, l.good("b"))
		assert.Equal(t, []float64{3, 13}, l.good("c"))
	})
}

func TestPollerKeepsToTheMinimumIntervalAndLeavesMissedReadsOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		require.NoError(t, polled(t, l, 13*time.Second,
			Job{ID: "dht22", Sensor: &fake{minimum: 2 * time.Second}, Every: time.Second},
			// 2.5 s for an interval of 1 s: the next read begins at the next whole second.
			Job{ID: "parasitic", Sensor: &fake{read: takes(2500 * time.Millisecond)}, Every: time.Second, Timeout: 5 * time.Second}))
		assert.Equal(t, []float64{0, 2, 4, 6, 8, 10, 12}, l.good("dht22"))
		assert.Equal(t, []float64{2.5, 5.5, 8.5, 11.5}, l.good("parasitic"))
	})
}

func TestAHungReadIsReportedEachIntervalAndDelaysNoOtherBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		release := make(chan struct{})
		hung := &fake{read: func(_ context.Context, n int) (sensors.Measurement, error) {
			if n == 1 {
				<-release // a kernel call that no context reaches
			}
			return sensors.Measurement{}, nil
		}}
		mate, other := &fake{}, &fake{}
		go func() {
			time.Sleep(44 * time.Second)
			close(release)
		}()
		require.NoError(t, polled(t, l, 65*time.Second,
			Job{ID: "hung", Bus: "w1", Sensor: hung, Timeout: 3 * time.Second},
			Job{ID: "mate", Bus: "w1", Sensor: mate},
			Job{ID: "other", Bus: "I2C1", Sensor: other}))
		assert.Equal(t, []float64{13.25, 20, 30, 40}, l.seconds("hung", false, sensors.Timeout), "10 s + 3 s + grace, then each interval")
		assert.Equal(t, []float64{0, 50, 60}, l.good("hung"), "the value of the hung read is dropped")
		assert.Equal(t, []float64{13.25, 20, 30, 40}, l.seconds("mate", false, sensors.Busy))
		assert.Equal(t, []float64{0, 50, 60}, l.good("mate"))
		assert.Equal(t, []float64{0, 10, 20, 30, 40, 50, 60}, l.good("other"))
		assert.Equal(t, int32(1), hung.most.Load(), "never two reads at a time")
		assert.EqualError(t, l.samples["hung"][2].Err, "no answer from hung for 10s: timeout")
		assert.EqualError(t, l.samples["mate"][2].Err, "bus w1 is held by a read of hung that has not come back for 10s: busy")
	})
}

func TestAReadThatOutlastsItsTimeoutFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		stubborn := &fake{read: func(context.Context, int) (sensors.Measurement, error) {
			time.Sleep(4 * time.Second) // deaf to its context, but not for ever
			return sensors.Measurement{}, nil
		}}
		require.NoError(t, polled(t, l, 29*time.Second,
			Job{ID: "polite", Sensor: &fake{read: takes(time.Minute)}, Timeout: 3 * time.Second, RetryWithin: 10 * time.Second},
			Job{ID: "stubborn", Sensor: stubborn, Timeout: 3 * time.Second}))
		assert.Equal(t, []float64{3, 13, 23}, l.seconds("polite", false, sensors.Timeout))
		assert.Equal(t, []float64{3.25, 13.25, 23.25}, l.seconds("stubborn", false, sensors.Timeout))
		assert.ErrorIs(t, l.samples["polite"][0].Err, context.DeadlineExceeded)
	})
}

func TestAFailingSensorIsTriedLessOftenUpToABound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		broken := &fake{read: func(_ context.Context, n int) (sensors.Measurement, error) {
			if n < 6 {
				return sensors.Measurement{}, sensors.Errorf(sensors.Absent, "nobody answers")
			}
			return sensors.Measurement{}, nil
		}}
		require.NoError(t, polled(t, l, 185*time.Second,
			Job{ID: "broken", Sensor: broken, RetryWithin: 45 * time.Second},
			Job{ID: "default", Sensor: &fake{read: func(context.Context, int) (sensors.Measurement, error) {
				return sensors.Measurement{}, errors.New("no")
			}}, Every: time.Minute}))
		assert.Equal(t, []float64{0, 10, 30, 70, 110, 150}, l.seconds("broken", false, sensors.Absent))
		assert.Empty(t, l.good("broken"))
		assert.Equal(t, []float64{0, 60, 120, 180}, l.seconds("default", false, sensors.Unknown), "never less often than it would be anyway")

		l = newLog()
		broken.reads = 4
		require.NoError(t, polled(t, l, 65*time.Second, Job{ID: "broken", Sensor: broken, RetryWithin: 45 * time.Second}))
		assert.Equal(t, []float64{30, 40, 50, 60}, l.good("broken"), "back at once to its interval")
	})
}

func TestAPanickingDriverIsAFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		require.NoError(t, polled(t, l, 5*time.Second, Job{ID: "a", Sensor: &fake{read: func(context.Context, int) (sensors.Measurement, error) {
			words := []byte("ab")
			return sensors.Measurement{Evidence: []byte{words[3]}}, nil
		}}}))
		assert.ErrorContains(t, l.samples["a"][0].Err, "the driver of a panicked: runtime error: index out of range")
	})
}

func TestShutdownEndsReadsAndLeavesAHungOneAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		polite, free := &fake{read: takes(time.Hour)}, &fake{}
		release := make(chan struct{})
		hung := &fake{read: func(context.Context, int) (sensors.Measurement, error) {
			<-release
			return sensors.Measurement{}, nil
		}}
		begun := time.Now()
		err := polled(t, l, 25*time.Second,
			Job{ID: "polite", Sensor: polite, Every: time.Minute, Timeout: time.Minute},
			Job{ID: "hung", Bus: "w1", Sensor: hung},
			Job{ID: "mate", Bus: "w1", Sensor: free})
		assert.EqualError(t, err, "sensor hung still hangs in a read begun 25s ago and was left open")
		assert.Equal(t, 25*time.Second, time.Since(begun), "nothing waits for it")
		assert.Empty(t, l.samples["polite"], "the end of the program is no failure of a sensor")
		assert.Equal(t, int32(1), polite.closed.Load())
		assert.Equal(t, int32(1), free.closed.Load())
		assert.Equal(t, int32(0), hung.closed.Load())

		// With the hung read gone nothing is left: the bubble would report any goroutine.
		close(release)
		synctest.Wait()
		assert.Equal(t, int32(0), hung.reading.Load())
	})
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		hung := &fake{read: func(context.Context, int) (sensors.Measurement, error) {
			<-release
			return sensors.Measurement{}, nil
		}}
		err := polled(t, newLog(), time.Second, Job{ID: "hung", Sensor: hung})
		assert.ErrorContains(t, err, "sensor hung still hangs", "also before its timeout is over")
		close(release)
	})
}

func TestSamplesCarryTheClockOfTheRim(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		wall := time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
		p, err := New([]Job{{ID: "a", Sensor: &fake{}}}, Options{
			Deliver: l.deliver,
			Now:     func() time.Time { wall = wall.Add(-time.Hour); return wall }, // steps back at every look
		})
		require.NoError(t, err)
		ctx, stop := context.WithTimeout(t.Context(), 25*time.Second)
		defer stop()
		require.NoError(t, p.Run(ctx))
		require.Len(t, l.samples["a"], 3, "the cadence does not follow the wall clock")
		assert.Equal(t, time.Date(2026, 7, 1, 9, 0, 0, 0, time.UTC), l.samples["a"][2].At)
	})
}

func TestNewRefuses(t *testing.T) {
	deliver := func(intake.Sample) {}
	for want, jobs := range map[string][]Job{
		`sensor "a" has no driver`:                       {{ID: "a"}},
		`sensor "a" is to be polled twice`:               {{ID: "a", Sensor: &fake{}}, {ID: "a", Sensor: &fake{}}},
		`sensor "a": an interval or timeout is negative`: {{ID: "a", Sensor: &fake{}, Every: -1}},
	} {
		_, err := New(jobs, Options{Deliver: deliver})
		assert.EqualError(t, err, want)
	}
	_, err := New(nil, Options{})
	assert.ErrorContains(t, err, "deliver samples to")
	p, err := New(nil, Options{Deliver: deliver})
	require.NoError(t, err)
	assert.NoError(t, p.Run(t.Context()), "no sensor, nothing to do")
}

type sticky struct{ fake }

func (*sticky) Close() error { return errors.New("device busy") }

func TestRunTellsWhatCouldNotBeClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		err := polled(t, newLog(), time.Second, Job{ID: "a", Sensor: &sticky{}})
		assert.EqualError(t, err, "closing sensor a: device busy")
	})
}
