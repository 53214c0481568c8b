package serial_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/deliver"
	"dewline/internal/deliver/serial"
	"dewline/internal/test/delivertest"
	"dewline/internal/test/memoryqueue"
)

// These tests run on a fake clock. The service is a function, and every try is noted as "seconds event".

type far struct {
	sender  *serial.Sender
	began   time.Time
	answer  func(item deliver.Item, try int) error
	takes   time.Duration // for an answer
	mu      sync.Mutex
	tries   []string
	counts  map[string]int
	busy    bool
	givenUp []string
}

func (f *far) deliver(ctx context.Context, item deliver.Item) error {
	f.mu.Lock()
	if f.busy {
		panic("two at a time")
	}
	f.busy = true
	f.tries = append(f.tries, fmt.Sprintf("%.0f %s", time.Since(f.began).Seconds(), item.Event))
	if f.counts == nil {
		f.counts = map[string]int{}
	}
	f.counts[item.Event]++
	try := f.counts[item.Event]
	f.mu.Unlock()
	defer func() {
		f.mu.Lock()
		f.busy = false
		f.mu.Unlock()
	}()
	select {
	case <-time.After(f.takes):
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	if f.answer == nil {
		return nil
	}
	return f.answer(item, try)
}

// send runs a sender over a queue of n items for a length of fake time and returns its state at the end.
func send(t *testing.T, f *far, n int, how time.Duration, during func(*serial.Sender)) serial.Status {
	t.Helper()
	q := memoryqueue.New(0, 0, 0)
	for k := range n {
		require.NoError(t, q.Add(delivertest.Item(k, deliver.Alarm)))
	}
	f.began = time.Now()
	s := serial.New(serial.Options{
		Name: "test", Queue: q, Deliver: f.deliver, Random: func() float64 { return 1 },
		GivenUp: func(item deliver.Item, why error) { f.givenUp = append(f.givenUp, item.Event+": "+why.Error()) },
	})
	f.sender = s
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { assert.NoError(t, s.Run(ctx)) })
	if during != nil {
		during(s)
	}
	time.Sleep(how)
	synctest.Wait()
	status := s.Status()
	cancel()
	done.Wait()
	return status
}

var (
	errBusy   = errors.New("503")
	errAway   = errors.New("no route to host")
	errPoison = fmt.Errorf("%w: 400", deliver.ErrUnsendable)
)

func TestOneAfterTheOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{takes: 2 * time.Second}
		status := send(t, f, 40, 3*time.Minute, nil)
		require.Len(t, f.tries, 40)
		assert.Equal(t, []string{"0 run-0", "2 run-1", "4 run-2"}, f.tries[:3])
		assert.Equal(t, "78 run-39", f.tries[39])
		assert.Equal(t, uint64(40), status.Sent)
		assert.Zero(t, status.Pending)
		assert.True(t, status.Oldest.IsNone())
		assert.Empty(t, status.Err)
	})
}

// TestAFailureRepeatsNothingThatWasTaken: the reason for handing over one at a time.
func TestAFailureRepeatsNothingThatWasTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(item deliver.Item, try int) error {
			if item.Event == "run-2" && try <= 3 {
				return errAway
			}
			return nil
		}}
		status := send(t, f, 4, time.Minute, nil)
		// With 1, 2 and 4 s between.
		assert.Equal(t, []string{"0 run-0", "0 run-1", "0 run-2", "1 run-2", "3 run-2", "7 run-2", "7 run-3"}, f.tries)
		assert.Empty(t, status.Err)
	})
}

// TestNewWorkRepeatsNothingThatWasTaken: items that come while one is under way must not be taken along with it.
func TestNewWorkRepeatsNothingThatWasTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		more := 30
		f.answer = func(item deliver.Item, try int) error {
			if more < 60 {
				assert.NoError(t, f.sender.Add(delivertest.Item(more, deliver.Alarm)))
				more++
			}
			if try == 1 && strings.HasSuffix(item.Event, "5") {
				return errAway
			}
			return nil
		}
		send(t, f, more, time.Hour, nil)
		for event, tries := range f.counts {
			assert.Equal(t, map[bool]int{true: 2, false: 1}[strings.HasSuffix(event, "5")], tries, event)
		}
		assert.Len(t, f.counts, 60)
	})
}

func TestTheWaitThatIsAskedForIsGranted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(_ deliver.Item, try int) error {
			switch try {
			case 1:
				return &serial.RetryAfterError{After: 5 * time.Minute, Err: errBusy}
			case 2:
				return &serial.RetryAfterError{After: 48 * time.Hour, Err: errBusy} // no more than an hour
			case 3:
				return &serial.RetryAfterError{After: -time.Hour, Err: errBusy}
			}
			return nil
		}}
		status := send(t, f, 1, 3*time.Hour, nil)
		assert.Equal(t, []string{"0 run-0", "300 run-0", "3900 run-0", "3904 run-0"}, f.tries)
		assert.Equal(t, uint64(1), status.Sent)
		assert.Empty(t, f.givenUp)
	})
}

func TestWhatCanNeverBeSentIsGivenUpAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(item deliver.Item, _ int) error {
			if item.Event == "run-0" || item.Event == "run-1" {
				return errPoison
			}
			return nil
		}}
		status := send(t, f, 3, time.Second, nil)
		assert.Equal(t, []string{"0 run-0", "0 run-1", "0 run-2"}, f.tries, "those behind it do not wait")
		assert.Equal(t, []string{"run-0: this message can never be sent: 400", "run-1: this message can never be sent: 400"}, f.givenUp)
		assert.Equal(t, uint64(2), status.GivenUp)
		assert.Equal(t, uint64(1), status.Sent)
		assert.Zero(t, status.Pending)
	})
}

// TestPatienceEnds: a service that fails because of one message must not hold up the others for ever.
func TestPatienceEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(item deliver.Item, _ int) error {
			if item.Event == "run-0" {
				return &serial.RetryAfterError{After: 10 * time.Minute, Err: errBusy}
			}
			return nil
		}}
		status := send(t, f, 2, 2*time.Hour, nil)
		assert.Equal(t, []string{
			"0 run-0", "600 run-0", "1200 run-0", "1800 run-0", "2400 run-0", "3000 run-0", "3600 run-0", "4200 run-1",
		}, f.tries)
		require.Len(t, f.givenUp, 1)
		assert.Equal(t, "run-0: this message can never be sent: others are taken, and the answer to this one has been again and again: 503", f.givenUp[0])
		assert.Equal(t, uint64(1), status.Sent)
	})
}

// TestAServiceThatIsOutOfOrderLosesNothing: for a day it answers everything with 503, and then everything arrives.
func TestAServiceThatIsOutOfOrderLosesNothing(t *testing.T) {
	for name, other := range map[string]error{"always busy": nil, "now and then away": errAway} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				back, tries := time.Now().Add(24*time.Hour), 0
				f := &far{answer: func(deliver.Item, int) error {
					if tries++; time.Now().After(back) {
						return nil
					}
					if other != nil && tries%3 == 0 {
						return other
					}
					return &serial.RetryAfterError{Err: errBusy}
				}}
				status := send(t, f, 30, 25*time.Hour, nil)
				assert.Empty(t, f.givenUp)
				assert.Equal(t, uint64(30), status.Sent)
				assert.Zero(t, status.Pending)
				last := f.tries[len(f.tries)-29:]
				for i := range last {
					assert.Contains(t, last[i], fmt.Sprintf(" run-%d", i+1), "in their order")
				}
			})
		})
	}
}

// TestWhatCanNeverBeSentIsPassedOver: while patience is lost with one, others that can never be sent prove nothing.
func TestWhatCanNeverBeSentIsPassedOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(item deliver.Item, try int) error {
			switch {
			case item.Event == "run-0" && try < 10:
				return &serial.RetryAfterError{After: 30 * time.Minute, Err: errBusy}
			case item.Event == "run-0":
				return nil
			}
			return errPoison
		}}
		status := send(t, f, 3, 10*time.Hour, nil)
		assert.Len(t, f.givenUp, 2)
		assert.Equal(t, uint64(1), status.Sent)
		assert.Zero(t, status.Pending)
	})
}

func TestPatienceLastsWhileNothingElseWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(_ deliver.Item, try int) error {
			if try <= 20 {
				return &serial.RetryAfterError{After: time.Hour, Err: errBusy}
			}
			return nil
		}}
		status := send(t, f, 1, 24*time.Hour, nil)
		assert.Empty(t, f.givenUp)
		assert.Equal(t, uint64(1), status.Sent)
	})
}

func TestAFarSideThatIsAwayIsWaitedForWithoutEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		back := time.Now().Add(72 * time.Hour)
		f := &far{answer: func(deliver.Item, int) error {
			if time.Now().Before(back) {
				return errAway
			}
			return nil
		}}
		status := send(t, f, 3, 73*time.Hour, nil)
		assert.Empty(t, f.givenUp)
		assert.Equal(t, uint64(3), status.Sent)
		assert.Greater(t, f.counts["run-0"], 72*59, "about once a minute")
		assert.Equal(t, 1, f.counts["run-2"])
	})
}

func TestAddSendsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		send(t, f, 0, time.Second, func(s *serial.Sender) {
			time.Sleep(10 * time.Second)
			assert.NoError(t, s.Add(delivertest.Item(7, deliver.Alarm)))
		})
		assert.Equal(t, []string{"10 run-7"}, f.tries)
	})
}

func TestStatusTellsWhatIsWrong(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(deliver.Item, int) error { return errAway }}
		status := send(t, f, 2, time.Minute, nil)
		assert.Equal(t, "no route to host", status.Err)
		assert.Equal(t, 2, status.Pending)
		assert.Equal(t, delivertest.Item(0, deliver.Alarm).At, status.Oldest)
	})
}

// TestTheEndIsNotHeldUp: neither by a service that does not answer, nor by one that has asked for an hour.
func TestTheEndIsNotHeldUp(t *testing.T) {
	for name, f := range map[string]*far{
		"no answer":     {takes: time.Hour},
		"asked to wait": {answer: func(deliver.Item, int) error { return &serial.RetryAfterError{After: time.Hour, Err: errBusy} }},
	} {
		synctest.Test(t, func(t *testing.T) {
			status := send(t, f, 2, 10*time.Second, nil)
			assert.LessOrEqual(t, time.Since(f.began), 15*time.Second, name)
			assert.Equal(t, 2, status.Pending, name)
		})
	}
}

// TestLaws: whatever the service answers, items stay in order, no accepted item is sent again, and each item is either accepted or
// reported as given up.
func TestLaws(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		n := rapid.IntRange(0, 8).Draw(r, "items")
		answers := make([][]int, n)
		for k := range answers {
			answers[k] = rapid.SliceOfN(rapid.IntRange(0, 3), 1, 5).Draw(r, "answers")
		}
		synctest.Test(t, func(t *testing.T) {
			outcome := map[string]string{}
			f := &far{takes: time.Second}
			f.answer = func(item deliver.Item, try int) error {
				var k int
				_, _ = fmt.Sscanf(item.Event, "run-%d", &k)
				assert.Empty(t, outcome[item.Event], "%s came again", item.Event)
				for before := range k {
					assert.NotEmpty(t, outcome[fmt.Sprintf("run-%d", before)], "out of order")
				}
				if try > len(answers[k]) {
					outcome[item.Event] = "taken"
					return nil
				}
				switch answers[k][try-1] {
				case 0:
					return errAway
				case 1:
					return &serial.RetryAfterError{After: time.Minute, Err: errBusy}
				case 2:
					outcome[item.Event] = "given up"
					return errPoison
				}
				outcome[item.Event] = "taken"
				return nil
			}
			status := send(t, f, n, 24*time.Hour, nil)
			assert.Len(t, outcome, n)
			assert.Zero(t, status.Pending)
			assert.Equal(t, uint64(n), status.Sent+status.GivenUp)
			assert.Len(t, f.givenUp, int(status.GivenUp))
		})
	})
}
