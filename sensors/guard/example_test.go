package guard_test

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/tmp102"

	"dewline/sensors"
	"dewline/sensors/guard"
)

// A driver of periph.io behind the guard.
func ExampleNew() {
	bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		{Addr: 0x48, W: []byte{1}, R: []byte{0x60, 0xA0}},
		{Addr: 0x48, W: []byte{1, 0x60, 0xA0}},
		{Addr: 0x48, W: []byte{0}, R: []byte{0x16, 0x80}},
	}}
	sensor := guard.New(bus, guard.Options{
		Description: sensors.Description{
			Driver: "tmp102", Part: "TMP102", Where: "I2C1 0x48",
			Measures:        []sensors.Measure{{Channel: sensors.Temperature, Low: -40, High: 125, Resolution: 0.0625, Accuracy: 1}},
			MinimumInterval: time.Second,
		},
		Build: func(_ context.Context, bus *guard.Recorder) (guard.MeasureFunc, error) {
			dev, err := tmp102.NewI2C(bus, 0x48, nil)
			if err != nil {
				return nil, err
			}
			return func(context.Context) (sensors.Measurement, error) {
				var env physic.Env
				err := dev.Sense(&env)
				value := sensors.Value{Channel: sensors.Temperature, Value: env.Temperature.Celsius()}
				return sensors.Measurement{Values: []sensors.Value{value}}, err
			}, nil
		},
	})
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	reading, err := sensor.Read(ctx)
	if err != nil {
		fmt.Println(err)
		return
	}
	celsius, _ := reading.Measured(sensors.Temperature)
	fmt.Printf("%.2f °C, evidence % x\n", celsius.Value, reading.Evidence)

	// The recording has ended, so the next read fails, and brings no value.
	reading, err = sensor.Read(ctx)
	fmt.Println(len(reading.Values), err != nil)
	// Output:
	// 22.50 °C, evidence 16 80
	// 0 true
}
