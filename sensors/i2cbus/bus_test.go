package i2cbus_test

import (
	"context"
	"fmt"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/i2cbus"
	"dewline/sensors/sensortest"
)

// echo answers with the bytes it was last sent.
type echo struct{ memory []byte }

func (e *echo) Reset() { e.memory = nil }

func (e *echo) Exchange(w, r []byte) error {
	if len(w) > 0 {
		e.memory = append([]byte{}, w...)
	}
	copy(r, e.memory)
	return nil
}

func within(t *testing.T, d time.Duration) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	t.Cleanup(cancel)
	return ctx
}

func TestErrnoShinesThrough(t *testing.T) {
	raw := sensortest.NewBus("I2C7")
	bus := i2cbus.Share(raw)
	err := i2cbus.Tx(within(t, time.Minute), bus, 0x44, []byte{1}, nil)
	require.ErrorIs(t, err, syscall.ENXIO)
	require.Equal(t, sensors.Absent, sensors.KindOf(err))
	require.EqualError(t, err, "I2C7 address 0x44: no such device or address")

	raw.Fail(syscall.ETIMEDOUT)
	require.Equal(t, sensors.Timeout, sensors.KindOf(bus.Tx(0x44, []byte{1}, nil)))
	require.Same(t, bus, i2cbus.Share(bus))
}

func TestHungTransactionIsOutlivedAndTheNextRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		raw := sensortest.NewBus("I2C1")
		raw.Attach(0x44, &echo{})
		bus := i2cbus.Share(raw)
		raw.Block()
		start := time.Now()
		answer := []byte{9}
		err := bus.TxContext(within(t, 3*time.Second), 0x44, []byte{1}, answer)
		require.Equal(t, sensors.Timeout, sensors.KindOf(err))
		require.ErrorIs(t, err, context.DeadlineExceeded)
		require.Equal(t, 3*time.Second, time.Since(start))

		start = time.Now()
		err = bus.TxContext(within(t, 3*time.Second), 0x45, []byte{1}, nil)
		require.Equal(t, sensors.Busy, sensors.KindOf(err))
		require.Zero(t, time.Since(start), "no caller waits behind a transaction that was given up")

		raw.Heal()
		synctest.Wait()
		require.Equal(t, []byte{9}, answer, "an answer that came too late belongs to no caller")
		require.NoError(t, bus.TxContext(within(t, 3*time.Second), 0x44, []byte{5}, answer))
		require.Equal(t, []byte{5}, answer)
	})
}

func TestTransactionsWaitForEachOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		raw := sensortest.NewBus("I2C1")
		raw.Attach(0x44, &echo{})
		raw.Delay(time.Second)
		bus := i2cbus.Share(raw)
		start := time.Now()
		var wg sync.WaitGroup
		for range 3 {
			wg.Go(func() { assert.NoError(t, bus.TxContext(within(t, time.Minute), 0x44, []byte{1}, nil)) })
		}
		wg.Wait()
		require.Equal(t, 3*time.Second, time.Since(start))

		// One that runs out of time behind a transaction in good health finds the bus busy, and spoils nothing.
		wg.Go(func() { assert.NoError(t, bus.TxContext(within(t, time.Minute), 0x44, []byte{1}, nil)) })
		synctest.Wait()
		require.Equal(t, sensors.Busy, sensors.KindOf(bus.TxContext(within(t, time.Millisecond), 0x44, []byte{1}, nil)))
		require.NoError(t, bus.TxContext(within(t, time.Minute), 0x44, []byte{1}, nil))
		wg.Wait()
	})
}

func TestEndedContextTouchesNothing(t *testing.T) {
	raw := sensortest.NewBus("I2C1")
	raw.Attach(0x44, &echo{})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.Equal(t, sensors.Timeout, sensors.KindOf(i2cbus.Share(raw).TxContext(ctx, 0x44, []byte{1}, nil)))
	require.Equal(t, sensors.Timeout, sensors.KindOf(i2cbus.Sleep(ctx, time.Hour)))
	require.Equal(t, sensors.Timeout, sensors.KindOf(i2cbus.Sleep(ctx, 0)))
	require.Empty(t, raw.Log())
}

// tree is a bus with two multiplexers, each with a device at the same address behind its channel 2; answers collide where
// both channels are open.
type tree struct {
	*sensortest.Bus
	open [2]byte
	t    testing.TB
}

func newTree(t testing.TB) *tree {
	tr := &tree{Bus: sensortest.NewBus("I2C1"), t: t}
	for i := range tr.open {
		tr.Attach(0x70+uint16(i), sensortest.Func{
			Answer: func(w, r []byte) error {
				if len(w) > 0 {
					tr.open[i] = w[0]
				}
				for j := range r {
					r[j] = tr.open[i]
				}
				return nil
			},
			PowerOn: func() { tr.open[i] = 0 },
		})
	}
	tr.Attach(0x44, sensortest.Func{Answer: func(_, r []byte) error {
		answers := 0
		for i, open := range tr.open {
			if open&(1<<2) != 0 {
				r[0], answers = byte(i+1), answers+1
			}
		}
		switch {
		case answers == 0:
			return sensortest.NoAcknowledge
		case answers > 1:
			return fmt.Errorf("two devices answer at once: %w", syscall.EIO)
		}
		return nil
	}})
	return tr
}

func (tr *tree) ask(bus *i2cbus.Bus) (byte, error) {
	answer := make([]byte, 1)
	err := bus.TxContext(tr.t.Context(), 0x44, nil, answer)
	return answer[0], err
}

func TestTwoMultiplexersDoNotCollide(t *testing.T) {
	tr := newTree(t)
	bus := i2cbus.Share(tr.Bus)
	near, err := i2cbus.Mux(bus, 0x70, 2)
	require.NoError(t, err)
	far, err := i2cbus.Mux(bus, 0x71, 2)
	require.NoError(t, err)
	empty, err := i2cbus.Mux(bus, 0x71, 5)
	require.NoError(t, err)
	require.Equal(t, "I2C1/0x71:5", empty.String())
	for range 3 {
		for want, b := range map[byte]*i2cbus.Bus{1: near, 2: far} {
			got, err := tr.ask(b)
			require.NoError(t, err)
			require.Equal(t, want, got)
		}
		_, err = tr.ask(empty)
		require.Equal(t, sensors.Absent, sensors.KindOf(err))
		_, err = tr.ask(bus)
		require.Equal(t, sensors.Absent, sensors.KindOf(err), "no channel stays open")
	}
}

// Wherever in an exchange something goes wrong, the next one meets its own device and no other.
func TestMultiplexersRecoverFromAnErrorAtAnyStep(t *testing.T) {
	for step := 1; step <= 6; step++ {
		for _, errno := range []error{syscall.ENXIO, syscall.EREMOTEIO, syscall.EIO, syscall.ETIMEDOUT} {
			tr := newTree(t)
			bus := i2cbus.Share(tr.Bus)
			near, err := i2cbus.Mux(bus, 0x70, 2)
			require.NoError(t, err)
			far, err := i2cbus.Mux(bus, 0x71, 2)
			require.NoError(t, err)
			tr.FailAt(step, errno)
			for range 3 {
				for want, b := range []*i2cbus.Bus{near, far} {
					if got, err := tr.ask(b); err == nil {
						require.Equalf(t, byte(want+1), got, "step %d %v", step, errno)
					}
				}
			}
			got, err := tr.ask(near)
			require.NoErrorf(t, err, "step %d %v", step, errno)
			require.Equal(t, byte(1), got)
		}
	}
}

func TestAMultiplexerResetIsNoMatter(t *testing.T) {
	tr := newTree(t)
	near, err := i2cbus.Mux(tr.Bus, 0x70, 2)
	require.NoError(t, err)
	for range 2 {
		got, err := tr.ask(near)
		require.NoError(t, err)
		require.Equal(t, byte(1), got)
		tr.Power(0x70)
	}
	tr.Unplug(0x70)
	_, err = tr.ask(near)
	require.Equal(t, sensors.Absent, sensors.KindOf(err))
	require.ErrorContains(t, err, "opening multiplexer channel /0x70:2")
	tr.Heal()
	_, err = tr.ask(near)
	require.NoError(t, err)
}

func TestMultiplexerBehindAMultiplexer(t *testing.T) {
	raw := sensortest.NewBus("I2C1")
	raw.Attach(0x70, &echo{})
	raw.Attach(0x71, &echo{})
	raw.Attach(0x44, &echo{})
	near, err := i2cbus.Mux(raw, 0x70, 1)
	require.NoError(t, err)
	far, err := i2cbus.Mux(near, 0x71, 7)
	require.NoError(t, err)
	require.Equal(t, "I2C1/0x70:1/0x71:7", far.String())
	require.NoError(t, far.Tx(0x44, []byte{0xAA}, nil))
	var sent []string
	for _, io := range raw.Log() {
		sent = append(sent, fmt.Sprintf("%#02x % x", io.Addr, io.W))
	}
	require.Equal(t, []string{"0x70 02", "0x71 80", "0x44 aa", "0x71 00", "0x70 00"}, sent)
}

func TestAddressesThatCannotBe(t *testing.T) {
	bus := i2cbus.Share(sensortest.NewBus("I2C1"))
	_, err := i2cbus.Mux(bus, 0x44, 0)
	require.ErrorContains(t, err, "0x70 to 0x77")
	_, err = i2cbus.Mux(bus, 0x70, 8)
	require.ErrorContains(t, err, "use 0 to 7")
	channel, err := i2cbus.Mux(bus, 0x76, 0)
	require.NoError(t, err)
	err = channel.Tx(0x76, []byte{0xD0}, nil)
	require.ErrorIs(t, err, i2cbus.ErrMuxAddress)
	_, err = i2cbus.Mux(channel, 0x76, 1)
	require.ErrorIs(t, err, i2cbus.ErrMuxAddress)
}

func BenchmarkTxContext(b *testing.B) {
	raw := sensortest.NewBus("I2C1")
	raw.Attach(0x44, sensortest.Func{Answer: func(_, _ []byte) error { return nil }})
	bus := i2cbus.Share(raw)
	answer := make([]byte, 6)
	for b.Loop() {
		if err := bus.TxContext(b.Context(), 0x44, nil, answer); err != nil {
			b.Fatal(err)
		}
	}
}
