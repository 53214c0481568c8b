// Package sensortest holds a conformance suite for drivers: what every [sensors.Sensor] owes, whatever goes wrong with
// the device behind it. A driver's test builds a [Rig] and runs it:
//
//	func TestConformance(t *testing.T) {
//		sensortest.Run(t, sensortest.Rig{
//			Open: func(t *testing.T) sensortest.Bench {
//				bus := sensortest.NewBus("fake")
//				bus.Attach(0x44, &simulatedChip{...})
//				sensor, err := sht4x.New(bus, sht4x.Options{Address: 0x44})
//				require.NoError(t, err)
//				return sensortest.Bench{
//					Sensor: sensor,
//					Want:   map[sensors.Channel]float64{sensors.Temperature: 22.5, sensors.Humidity: 80},
//					Heal:   bus.Heal,
//					Absent: func() { bus.Unplug(0x44) },
//					Silent: bus.Block,
//					Slow:   bus.Delay,
//					...
//				}
//			},
//			Exempt: map[sensortest.Fault]string{sensortest.Implausible: "every word of this part is a possible value"},
//		})
//	}
//
// [Bus] is an I²C bus to hang simulated chips on and to break in all these ways. A driver that reads kernel files fills
// the same function fields of [Bench] by removing, rewriting or blocking its files.
//
// # What is checked
//
//   - A healthy device gives one value per described channel, each within its described range, again and again.
//   - No fault gives a wrong value: a read returns either what the device truly measures, or an error and no value.
//   - The error has the right kind by [sensors.KindOf], and carries the bytes that were obtained as evidence.
//   - Read is back when its context has ended, also while the device hangs; a read that starts meanwhile fails as well
//     and does not pile up.
//   - The sensor may be absent, silent or garbled from the very start: it is found once it is there.
//   - After each fault, within three reads, everything is as before.
//   - Describe is complete, needs no device, and does not change, save that Part and Notes may come to know more.
//   - Close may be called twice, and while a read hangs; Read after Close is an error.
//   - No goroutine outlives the device it waits for.
//
// # Time
//
// Each case runs in a bubble of testing/synctest, so that waiting costs nothing. In there a blocked driver must wait on
// a channel or a timer made inside the bubble, not on a mutex or in a system call. Where a fault really blocks in the
// kernel (a named pipe without a writer) set Rig.RealTime: real clock, short timeouts.
package sensortest
