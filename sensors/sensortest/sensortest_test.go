package sensortest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
)

// file is a thermometer as the kernel shows one: text behind a path.
type file struct {
	mu      sync.Mutex
	text    string
	err     error
	delay   time.Duration
	blocked chan struct{}
	resets  int
}

const truth = "t=22500 check=9" // check: the sum of the digits, modulo 10, here (2+2+5) modulo 10

func (f *file) read() (string, error) {
	f.mu.Lock()
	text, err, delay, blocked := f.text, f.err, f.delay, f.blocked
	f.mu.Unlock()
	if blocked != nil {
		<-blocked
	}
	time.Sleep(delay)
	return text, err
}

func (f *file) heal() {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.blocked != nil {
		close(f.blocked)
	}
	f.text, f.err, f.delay, f.blocked = truth, nil, 0, nil
}

func (f *file) set(change func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change()
}

// thermometer is a driver with at most one vice; without any it is right.
type thermometer struct {
	file   *file
	vice   string
	turn   chan struct{}
	closed bool
	resets int
	reads  int
	shared []sensors.Measure
}

var vices = map[string]string{ // vice → the case that must find it
	"incomplete description":     "describe",
	"no accuracy":                "describe",
	"shared slices":              "describe",
	"changing description":       "describe",
	"describe touches device":    "describe",
	"value out of range":         "healthy",
	"no value":                   "healthy",
	"undescribed value":          "healthy",
	"wrong value":                "healthy",
	"ignores ended context":      "ended context",
	"second close fails":         "close",
	"reads after close":          "close",
	"absent as unknown":          "absent",
	"absent is zero":             "absent",
	"never finds a late device":  "absent from the start",
	"hangs":                      "silent",
	"piles up":                   "silent",
	"close waits":                "close while silent",
	"last value when slow":       "slow",
	"no checksum":                "garbled",
	"no evidence":                "garbled",
	"value beside error":         "garbled",
	"never again after an error": "garbled from the start",
	"believes anything":          "implausible",
	"reset unseen":               "reset",
	"reset reported for ever":    "reset",
	"wrong when access fails":    "one access fails",
}

func (d *thermometer) Describe() sensors.Description {
	description := sensors.Description{Driver: "toy", Part: "toy", Where: "bench", MinimumInterval: time.Second,
		Measures: slices.Clone(d.shared)}
	switch d.vice {
	case "incomplete description":
		description.Where = ""
	case "no accuracy":
		description.Measures[0].Accuracy = 0
	case "shared slices":
		description.Measures = d.shared
	case "changing description":
		description.MinimumInterval += time.Duration(d.reads)
	case "describe touches device":
		if _, err := d.fetch(context.Background()); err != nil {
			description.Where = err.Error()
		}
	}
	return description
}

func (d *thermometer) Close() error {
	if d.closed && d.vice == "second close fails" {
		return errors.New("closed already")
	}
	if d.vice == "close waits" {
		d.turn <- struct{}{}
		<-d.turn
	}
	d.closed = true
	return nil
}

// fetch reads the file and outlives it.
func (d *thermometer) fetch(ctx context.Context) (string, error) {
	select {
	case d.turn <- struct{}{}:
	default:
		if d.vice != "piles up" {
			return "", sensors.Errorf(sensors.Busy, "an earlier read has not come back")
		}
		d.turn <- struct{}{} // waits without regard to ctx
	}
	type result struct {
		text string
		err  error
	}
	done := make(chan result, 1)
	go func() {
		text, err := d.file.read()
		<-d.turn
		done <- result{text, err}
	}()
	if d.vice == "hangs" {
		got := <-done
		return got.text, got.err
	}
	select {
	case got := <-done:
		return got.text, got.err
	case <-ctx.Done():
		return "", fmt.Errorf("reading: %w", ctx.Err())
	}
}

func (d *thermometer) Read(ctx context.Context) (sensors.Measurement, error) {
	switch {
	case d.closed && d.vice != "reads after close":
		return sensors.Measurement{}, errors.New("closed")
	case ctx.Err() != nil && d.vice != "ignores ended context":
		return sensors.Measurement{}, ctx.Err()
	case ctx.Err() != nil:
		ctx = context.Background()
	}
	d.reads++
	good := sensors.Measurement{Values: []sensors.Value{{Channel: sensors.Temperature, Value: 22.5}}}
	text, err := d.fetch(ctx)
	if err != nil {
		return d.failed(err, good)
	}
	evidence := sensors.Measurement{Evidence: []byte(text)}
	switch d.vice {
	case "never finds a late device":
		if d.resets < 0 {
			return sensors.Measurement{}, syscall.ENXIO
		}
	case "never again after an error":
		if d.resets < 0 {
			return evidence, sensors.Errorf(sensors.Checksum, "still broken")
		}
	}
	value, err := decode(text, d.vice)
	if err != nil {
		if d.vice == "never again after an error" {
			d.resets = -1
		}
		if d.vice == "no evidence" {
			return sensors.Measurement{}, err
		}
		if d.vice == "value beside error" {
			evidence.Values = good.Values
		}
		return evidence, err
	}
	reading := sensors.Measurement{Evidence: []byte(text), Values: []sensors.Value{{Channel: sensors.Temperature, Value: value}}}
	d.file.set(func() {
		reading.Reset = d.file.resets > max(d.resets, 0) && d.vice != "reset unseen"
		if d.vice != "reset reported for ever" {
			d.resets = d.file.resets
		}
	})
	switch d.vice {
	case "value out of range":
		reading.Values[0].Value = 1000
	case "no value":
		reading.Values = nil
	case "undescribed value":
		reading.Values = append(reading.Values, sensors.Value{Channel: sensors.CO2})
	case "wrong value":
		reading.Values[0].Value++
	}
	return reading, nil
}

func (d *thermometer) failed(err error, good sensors.Measurement) (sensors.Measurement, error) {
	absent := errors.Is(err, syscall.ENXIO)
	switch {
	case d.vice == "never finds a late device":
		d.resets = -1
	case d.vice == "absent as unknown" && absent:
		return sensors.Measurement{}, errors.New("something is wrong")
	case d.vice == "absent is zero" && absent:
		return sensors.Measurement{Values: []sensors.Value{{Channel: sensors.Temperature}}}, nil
	case d.vice == "last value when slow" && errors.Is(err, context.DeadlineExceeded):
		return good, nil
	case d.vice == "wrong when access fails" && errors.Is(err, syscall.EIO):
		return sensors.Measurement{Values: []sensors.Value{{Channel: sensors.Temperature, Value: 1}}}, nil
	}
	return sensors.Measurement{}, err
}

func decode(text, vice string) (float64, error) {
	var millidegree, check, sum int
	n, err := fmt.Sscanf(text, "t=%d check=%d", &millidegree, &check)
	for _, digit := range strings.TrimPrefix(strconv.Itoa(millidegree), "-") {
		sum += int(digit - '0')
	}
	value := float64(millidegree) / 1000
	switch {
	case vice == "no checksum" && n > 0:
	case err != nil || sum%10 != check:
		return 0, sensors.Errorf(sensors.Checksum, "%q has a wrong sum", text)
	}
	if (value > 125 || value < -40) && vice == "believes anything" {
		return 0, nil
	}
	if value > 125 || value < -40 {
		return 0, sensors.Errorf(sensors.Implausible, "%v °C", value)
	}
	return value, nil
}

func toy(vice string) Rig {
	return Rig{
		ResetSeen: true,
		Open: func(*testing.T) Bench {
			f := &file{text: truth}
			d := &thermometer{file: f, vice: vice, turn: make(chan struct{}, 1), shared: []sensors.Measure{
				{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.001, Accuracy: 0.5}}}
			return Bench{
				Sensor: d,
				Want:   map[sensors.Channel]float64{sensors.Temperature: 22.5},
				Heal:   f.heal,
				Absent: func() { f.set(func() { f.err = syscall.ENXIO }) },
				Silent: func() { f.set(func() { f.blocked = make(chan struct{}) }) },
				Slow:   func(d time.Duration) { f.set(func() { f.delay = d }) },
				Garbled: []func(){
					func() { f.set(func() { f.text = "t=22501 check=9" }) },
					func() { f.set(func() { f.text = "t=2250" }) },
				},
				Implausible: map[string]func(){"too hot": func() { f.set(func() { f.text = "t=900000 check=9" }) }},
				Reset:       func() { f.set(func() { f.resets++ }) },
				FailAt:      func(_ int, err error) { f.set(func() { f.err = err }) },
			}
		},
	}
}

func TestTheSuitePassesARightDriver(t *testing.T) { Run(t, toy("")) }

func TestTheSuitePassesARightDriverInRealTime(t *testing.T) {
	rig := toy("")
	rig.RealTime = true
	Run(t, rig)
}

// Each vice is one that a driver in use has had; each must be found by the case that is meant for it. The cases are
// called directly, as their failing is what is wanted.
func TestTheSuiteFindsEveryVice(t *testing.T) {
	for vice, name := range vices {
		t.Run(vice, func(t *testing.T) {
			at := slices.IndexFunc(checks, func(c check) bool { return c.name == name })
			require.GreaterOrEqual(t, at, 0)
			rig := toy(vice)
			err := try(t, rig, checks[at])
			require.Error(t, err)
			require.NotContains(t, err.Error(), "the rig")
			t.Log(err)
		})
	}
}

func TestARigMustBeComplete(t *testing.T) {
	rig := toy("")
	whole := rig.Open
	rig.Open = func(t *testing.T) Bench {
		b := whole(t)
		b.Slow = nil
		return b
	}
	at := slices.IndexFunc(checks, func(c check) bool { return c.name == "slow" })
	require.ErrorContains(t, try(t, rig, checks[at]), `the rig neither fills in "slow"`)
	rig.Exempt = map[Fault]string{Slow: ""}
	require.ErrorContains(t, try(t, rig, checks[at]), "without a reason")
	rig.Exempt = map[Fault]string{Slow: "a file that is there is read at once"}
	require.NoError(t, try(t, rig, checks[at]))
}

func TestBusBreaksAsAsked(t *testing.T) {
	bus := NewBus("I2C1")
	resets := 0
	bus.Attach(0x44, Func{
		Answer:  func(_, r []byte) error { clear(r); return nil },
		PowerOn: func() { resets++ },
	})
	answer := make([]byte, 2)
	require.NoError(t, bus.Tx(0x44, []byte{1}, answer))
	require.ErrorIs(t, bus.Tx(0x45, nil, answer), syscall.ENXIO)
	require.Len(t, bus.Log(), 1)

	bus.FailAt(2, syscall.EIO)
	require.NoError(t, bus.Tx(0x44, nil, answer))
	require.ErrorIs(t, bus.Tx(0x44, nil, answer), syscall.EIO)
	require.NoError(t, bus.Tx(0x44, nil, answer))

	bus.Flip(2, 9)
	require.NoError(t, bus.Tx(0x44, nil, answer))
	assert.Equal(t, []byte{0, 0x40}, answer)
	require.NoError(t, bus.Tx(0x44, nil, answer[:1]))
	assert.Equal(t, byte(0), answer[0], "only answers of that length are altered")

	bus.ResetAt(1, 0x44)
	bus.Heal()
	require.NoError(t, bus.Tx(0x44, nil, answer))
	assert.Zero(t, resets, "Heal takes back what has not happened yet")
	bus.ResetAt(1, 0x44)
	bus.Power(0x44)
	require.NoError(t, bus.Tx(0x44, nil, answer))
	assert.Equal(t, 2, resets)

	bus.Unplug(0x44)
	require.ErrorIs(t, bus.Tx(0x44, nil, answer), syscall.ENXIO)
	bus.Heal()
	assert.Equal(t, 3, resets, "a part plugged in has just been powered on")
	bus.Fail(syscall.ETIMEDOUT)
	require.ErrorIs(t, bus.Tx(0x44, nil, answer), syscall.ETIMEDOUT)
}
