package misting_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/misting"
)

// Whatever the sensors have said, the analysis ends without a panic, and what it states is a number in its range.
func FuzzAnalyse(f *testing.F) {
	f.Add([]byte{}, int64(0))
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9}, int64(90))
	long := make([]byte, 3000)
	for i := range long {
		long[i] = byte(i * i >> 3)
	}
	f.Add(long, int64(4000))
	f.Fuzz(analyseNoise)
}

// The same without a fuzzer, from drawn bytes.
func TestAnalyseOfNoise(t *testing.T) {
	draw := rand.New(rand.NewPCG(14, 1))
	for range 150 {
		data := make([]byte, draw.IntN(400))
		for i := range data {
			data[i] = byte(draw.IntN(256))
		}
		analyseNoise(t, data, int64(draw.IntN(6000)))
	}
}

func analyseNoise(t *testing.T, data []byte, minutes int64) {
	minutes = ((minutes % 6000) + 6000) % 6000
	r := &misting.Recording{
		From: midnight, To: midnight.Add(time.Duration(minutes) * time.Minute),
		Schedule: misting.Schedule{{Minute: 480, Dose: 1}},
		Day:      func(at instant.Instant) bool { return at.Time().Hour() < 12 },
		Limits:   func(instant.Instant) (float64, float64) { return 60, 90 },
	}
	at := midnight.Add(-3 * time.Minute)
	for i := 0; i+1 < len(data); i += 2 {
		at = at.Add(time.Duration(data[i]%16) * time.Minute)
		value := float64(data[i+1])
		switch data[i+1] {
		case 255:
			value = math.NaN()
		case 254:
			value = math.Inf(1)
		case 253:
			value = -300
		}
		s := misting.Sample{At: at, Value: value}
		switch data[i] >> 5 {
		case 0:
			r.Air = append(r.Air, s)
		case 1:
			r.RoomAir = append(r.RoomAir, s)
		case 2:
			r.RoomHumidity = append(r.RoomHumidity, s)
		case 3:
			r.Surface = append(r.Surface, s)
		case 4:
			r.Mistings = append(r.Mistings, misting.Misting{At: at, Dose: value})
		case 5: // climate that lasts
			for k := range 600 {
				then := at.Add(time.Duration(k) * time.Minute)
				r.Air = append(r.Air, misting.Sample{At: then, Value: 24})
				r.Humidity = append(r.Humidity, misting.Sample{At: then, Value: 60 + math.Mod(value, 40)*math.Exp(-float64(k)/40)})
			}
		default:
			r.Humidity = append(r.Humidity, s)
		}
	}
	a := misting.Analyse(r)
	if a.Fit.Refused == "" {
		require.True(t, a.Fit.Tau > 0)
		require.True(t, a.Fit.FloorPct.Mid >= 0 && a.Fit.FloorPct.Mid <= 100)
	}
	for _, e := range a.Events {
		require.True(t, e.At >= r.From && e.At < r.To)
		require.False(t, e.Missed && e.Hidden)
	}
	if out, err := a.WhatIf(misting.Schedule{{Minute: 60, Dose: 1}}); err == nil {
		require.True(t, out.Below.Low >= 0 && out.Below.High <= 24 && out.Below.Low <= out.Below.Mid && out.Below.Mid <= out.Below.High)
	}
}
