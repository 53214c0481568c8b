package lm75

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/sensortest"
)

// FuzzRead lets a device answer anything, in the order of the corpus and then over again: what comes of it is a value
// inside the described range or an error with a kind, never both.
func FuzzRead(f *testing.F) {
	f.Add([]byte{0x16, 0x80, 0x68}, false)
	f.Add([]byte{0x16, 0x83, 0x08}, true)
	f.Add([]byte{0xFF}, true)
	f.Fuzz(func(t *testing.T, answers []byte, plain bool) {
		synctest.Test(t, func(t *testing.T) {
			bus, next := sensortest.NewBus("fake"), 0
			bus.Attach(0x48, sensortest.Func{Answer: func(_, r []byte) error {
				for i := range r {
					if len(answers) > 0 {
						r[i] = answers[next%len(answers)]
						next++
					}
				}
				return nil
			}})
			options := Options{Part: "TMP105"}
			if plain {
				options.Part = ""
			}
			sensor, err := New(bus, options)
			require.NoError(t, err)
			for range 2 {
				reading, err := sensor.Read(t.Context())
				if err != nil {
					require.Empty(t, reading.Values)
					require.NotEqual(t, sensors.Unknown, sensors.KindOf(err), "%v", err)
					continue
				}
				for _, m := range sensor.Describe().Measures {
					v, ok := reading.Measured(m.Channel)
					require.True(t, ok)
					require.True(t, v.Value >= m.Low && v.Value <= m.High, "%+v", v)
				}
				time.Sleep(sensor.Describe().MinimumInterval)
			}
		})
	})
}
