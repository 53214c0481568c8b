package scd4x

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
	f.Add([]byte{0x73, 0xb1, 0x19, 0xeb, 0x07, 0x7a, 0x3b, 0x0c, 0x54, 0x80, 0x06, 0x04, 0x02, 0x2c, 0xa3, 0x67, 0x0d, 0x36, 0x4d, 0x08, 0xf1})
	f.Add([]byte{0x80, 0x00, 0xa2})
	f.Fuzz(func(t *testing.T, answers []byte) {
		synctest.Test(t, func(t *testing.T) {
			bus, next := sensortest.NewBus("fake"), 0
			bus.Attach(Address, sensortest.Func{Answer: func(_, r []byte) error {
				for i := range r {
					if len(answers) > 0 {
						r[i] = answers[next%len(answers)]
						next++
					}
				}
				return nil
			}})
			sensor, err := New(bus, Options{})
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
					if _, refused := reading.RefusalOf(m.Channel); refused {
						continue
					}
					require.True(t, ok)
					require.True(t, v.Value >= m.Low && v.Value <= m.High, "%+v", v)
				}
				time.Sleep(sensor.Describe().MinimumInterval)
			}
		})
	})
}
