package deliver_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/deliver"
	"dewline/internal/test/delivertest"
	"dewline/internal/test/memoryqueue"
)

// The worker's tests run on a fake clock, with a transport that the test scripts.

// way is a transport. Each connection is a list of what to do with the items that come: acknowledge after a time, or not.
type way struct {
	opens int                    // how often it may be opened; later calls wait for ctx
	takes func(conn, n int) bool // does the n-th item of a connection get its acknowledgement
	after time.Duration          // how long that takes
	dies  func(conn, n int) bool // does the connection end instead

	mu          sync.Mutex
	got         []string // every item that was sent: "connection event"
	acked       []string // events that were acknowledged
	maxInFlight int      // largest number in flight
	inFlight    int
	count       int
	conns       []*conn
}

func (w *way) Open(ctx context.Context) (deliver.Conn, error) {
	w.mu.Lock()
	w.count++
	n := w.count
	w.mu.Unlock()
	if w.opens > 0 && n > w.opens {
		<-ctx.Done()
		return nil, ctx.Err()
	}
	c := &conn{way: w, number: n, done: make(chan struct{})}
	w.mu.Lock()
	w.conns = append(w.conns, c)
	w.mu.Unlock()
	return c, nil
}

// close ends the connections that are still open, as their owner would.
func (w *way) close() {
	w.mu.Lock()
	conns := w.conns
	w.mu.Unlock()
	for _, c := range conns {
		c.Drop(errors.New("end of the test"))
	}
	synctest.Wait()
}

type conn struct {
	way    *way
	number int
	sent   int
	done   chan struct{}
	once   sync.Once
}

type ack struct {
	done chan struct{}
	err  error
}

func (r *ack) Done() <-chan struct{} { return r.done }
func (r *ack) Err() error            { return r.err }

func (c *conn) Send(_ context.Context, item deliver.Item) (deliver.Ack, error) {
	if item.Event == "unsendable" {
		return nil, fmt.Errorf("%w: too large", deliver.ErrUnsendable)
	}
	c.way.mu.Lock()
	c.way.got = append(c.way.got, fmt.Sprintf("%d %s", c.number, item.Event))
	c.way.inFlight++
	c.way.maxInFlight = max(c.way.maxInFlight, c.way.inFlight)
	c.way.mu.Unlock()
	n := c.sent
	c.sent++
	r := &ack{done: make(chan struct{})}
	if c.way.dies != nil && c.way.dies(c.number, n) {
		c.Drop(errors.New("cut"))
	}
	go func() {
		defer close(r.done)
		settled := make(<-chan time.Time)
		if c.way.takes == nil || c.way.takes(c.number, n) {
			settled = time.After(c.way.after)
		}
		select {
		case <-settled:
		case <-c.done:
			r.err = errors.New("the connection ended")
		}
		c.way.mu.Lock()
		defer c.way.mu.Unlock()
		c.way.inFlight--
		if r.err == nil {
			c.way.acked = append(c.way.acked, item.Event)
		}
	}()
	return r, nil
}

func (c *conn) Done() <-chan struct{} { return c.done }

func (c *conn) Drop(error) { c.once.Do(func() { close(c.done) }) }

// work runs a worker for a length of fake time.
func work(t *testing.T, q deliver.Queue, w *way, how time.Duration, during func(*deliver.Worker)) deliver.WorkerStats {
	t.Helper()
	worker := deliver.NewWorker(deliver.WorkerOptions{Queue: q, Transport: w, Random: func() float64 { return 1 }})
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { worker.Run(ctx) })
	if during != nil {
		during(worker)
	}
	time.Sleep(how)
	synctest.Wait()
	stats := worker.Stats()
	cancel()
	done.Wait()
	w.close()
	return stats
}

func filled(t *testing.T, n int) *memoryqueue.Memory {
	t.Helper()
	q := memoryqueue.New(0, 0, 0)
	for k := range n {
		require.NoError(t, q.Add(delivertest.Item(k, deliver.Alarm)))
	}
	return q
}

func numbered(from, to int) (names []string) {
	for n := from; n < to; n++ {
		names = append(names, fmt.Sprintf("run-%d", n))
	}
	return names
}

func TestAnItemLeavesOnItsAcknowledgementOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := filled(t, 100)
		w := &way{after: time.Second, opens: 1}
		stats := work(t, q, w, 10*time.Second, nil)
		assert.ElementsMatch(t, numbered(0, 100), w.acked)
		var sent []string
		for _, line := range w.got {
			sent = append(sent, line[2:])
		}
		assert.Equal(t, numbered(0, 100), sent, "in order")
		assert.Equal(t, deliver.Window, w.maxInFlight, "as much as the window takes, and no more")
		assert.Equal(t, deliver.WorkerStats{Sent: 100}, stats)
		assert.Empty(t, delivertest.Events(t, q))
	})
}

func TestUnacknowledgedItemsAreSentAgainInOrderWithTheSameIdentity(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := filled(t, 10)
		// The first connection acknowledges three items and is cut at the eighth.
		w := &way{
			takes: func(conn, n int) bool { return conn > 1 || n < 3 },
			dies:  func(conn, n int) bool { return conn == 1 && n == 7 },
			opens: 2,
		}
		stats := work(t, q, w, time.Minute, nil)
		assert.Empty(t, delivertest.Events(t, q))
		assert.Empty(t, stats.Err)
		var first, second []string
		for _, line := range w.got {
			if line[0] == '1' {
				first = append(first, line[2:])
			} else {
				second = append(second, line[2:])
			}
		}
		assert.True(t, slices.IsSorted(first), "single digits sort as text")
		assert.Equal(t, second, numbered(10-len(second), 10), "everything unacknowledged, in order")
		slices.Sort(w.acked) // one that was acknowledged at the moment of the cut may come twice
		assert.Equal(t, numbered(0, 10), slices.Compact(w.acked))
	})
}

func TestAPeerThatNeverAcknowledgesIsLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := filled(t, 3)
		w := &way{takes: func(int, int) bool { return false }}
		began := time.Now()
		stats := work(t, q, w, 10*time.Minute, nil)
		assert.Contains(t, stats.Err, "no acknowledgement of run-0 within 20s")
		assert.Equal(t, []string{"run-0", "run-1", "run-2"}, delivertest.Events(t, q), "nothing is given up")
		// 20 s of waiting each, and 1 2 4 8 16 32 60 60 … s between: begun at 0 21 43 67 95 131 183 263 … 583 s.
		assert.Equal(t, 12, w.count)
		assert.Less(t, time.Since(began), 11*time.Minute)
	})
}

// TestWakingDoesNotPutOffTheTimeout: new items every few seconds must not hide that the oldest is never acknowledged.
func TestWakingDoesNotPutOffTheTimeout(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := filled(t, 1)
		w := &way{takes: func(int, int) bool { return false }, opens: 1}
		stats := work(t, q, w, time.Second, func(worker *deliver.Worker) {
			for n := 1; n <= 10; n++ {
				time.Sleep(3 * time.Second)
				assert.NoError(t, q.Add(delivertest.Item(n, deliver.Alarm)))
				worker.Wake()
			}
		})
		assert.Contains(t, stats.Err, "no acknowledgement of run-0")
	})
}

func TestWakeSendsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := filled(t, 0)
		w := &way{opens: 1}
		work(t, q, w, time.Millisecond, func(worker *deliver.Worker) {
			time.Sleep(time.Second)
			assert.NoError(t, q.Add(delivertest.Item(1, deliver.Alarm)))
			worker.Wake()
		})
		assert.Equal(t, []string{"run-1"}, w.acked)
	})
}

func TestAnUnsendableItemDoesNotBlockTheOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := filled(t, 1)
		bad := delivertest.Item(1, deliver.Alarm)
		bad.Event = "unsendable"
		require.NoError(t, q.Add(bad))
		require.NoError(t, q.Add(delivertest.Item(2, deliver.Alarm)))
		w := &way{opens: 1}
		stats := work(t, q, w, time.Second, nil)
		assert.ElementsMatch(t, []string{"run-0", "run-2"}, w.acked)
		assert.Equal(t, uint64(1), stats.Unsendable)
		assert.Empty(t, delivertest.Events(t, q))
	})
}

func TestTheLastWordsGetOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := filled(t, 0)
		w := &way{after: time.Second, opens: 1}
		worker := deliver.NewWorker(deliver.WorkerOptions{Queue: q, Transport: w})
		ctx, cancel := context.WithCancel(t.Context())
		var done sync.WaitGroup
		done.Go(func() { worker.Run(ctx) })
		time.Sleep(time.Second)
		assert.NoError(t, q.Add(delivertest.Item(1, deliver.Alarm)))
		cancel() // before the worker was woken
		done.Wait()
		w.close()
		assert.Equal(t, []string{"run-1"}, w.acked)

		// But not for ever.
		w = &way{takes: func(int, int) bool { return false }, opens: 1}
		assert.NoError(t, q.Add(delivertest.Item(2, deliver.Alarm)))
		began := time.Now()
		work(t, q, w, time.Second, nil)
		assert.LessOrEqual(t, time.Since(began), 4*time.Second)
		w.mu.Lock()
		assert.Equal(t, 1, w.count)
		w.mu.Unlock()
	})
}

// failing is a queue on a disk that cannot be read the second time.
type failing struct {
	deliver.Queue
	reads int
}

func (q *failing) Next(after uint64, limit int) ([]deliver.Item, error) {
	if q.reads++; q.reads == 2 {
		return nil, errors.New("input/output error")
	}
	return q.Queue.Next(after, limit)
}

func TestAFailingDiskIsNoReasonToHangUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, w := &failing{Queue: filled(t, 40)}, &way{opens: 2, after: time.Second}
		work(t, q, w, 2*time.Minute, nil)
		assert.ElementsMatch(t, numbered(0, 40), w.acked)
		assert.Greater(t, q.reads, 2)
		assert.Equal(t, 1, w.count)
	})
}

// unreadable is a queue that passes over its first item until it is read again.
type unreadable struct {
	deliver.Queue
	since time.Time
}

func (q unreadable) Next(after uint64, limit int) ([]deliver.Item, error) {
	if time.Since(q.since) < 10*time.Second {
		after = max(after, 1)
	}
	return q.Queue.Next(after, limit)
}

// What a queue could not read for a while goes out on the same connection.
func TestWhatWasPassedOverGoesOutLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := unreadable{memoryqueue.New(0, 0, 0), time.Now()}
		for n := range 3 {
			require.NoError(t, q.Add(delivertest.Item(n, deliver.Alarm)))
		}
		w := &way{after: time.Second}
		work(t, q, w, 3*time.Minute, func(worker *deliver.Worker) {
			for n := range 60 { // there is always something to do
				time.Sleep(2 * time.Second)
				require.NoError(t, q.Add(delivertest.Item(10+n, deliver.Alarm)))
				worker.Wake()
			}
		})
		assert.Equal(t, 1, w.count, "connections")
		assert.ElementsMatch(t, []string{"run-1", "run-2", "run-10"}, w.acked[:3])
		require.Len(t, w.acked, 63)
		assert.Less(t, slices.Index(w.acked, "run-0"), 35)
		assert.Positive(t, slices.Index(w.acked, "run-0"))
	})
}

// TestNothingIsLostOrReordered: connections end at random points, some without acknowledging what they took. Once duplicates are
// dropped by identity, the peer has every event, in order.
func TestNothingIsLostOrReordered(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		lives := rapid.SliceOfN(rapid.IntRange(0, 40), 1, 6).Draw(r, "items until a connection dies")
		silent := rapid.SliceOfN(rapid.IntRange(0, 40), len(lives), len(lives)).Draw(r, "items without acknowledgement before")
		n := rapid.IntRange(0, 60).Draw(r, "items")
		synctest.Test(t, func(t *testing.T) {
			q := filled(t, n)
			w := &way{
				dies: func(conn, k int) bool { return conn <= len(lives) && k == lives[conn-1] },
				takes: func(conn, k int) bool {
					return conn > len(lives) || k < lives[conn-1]-silent[conn-1]
				},
				after: time.Millisecond,
			}
			work(t, q, w, 20*time.Minute, nil)
			assert.Empty(t, delivertest.Events(t, q))
			var seen []string
			for _, line := range w.got {
				if event := line[2:]; !slices.Contains(seen, event) {
					seen = append(seen, event)
				}
			}
			assert.Equal(t, numbered(0, n), seen)
		})
	})
}
