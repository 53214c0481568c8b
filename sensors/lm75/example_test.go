package lm75_test

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors"
	"dewline/sensors/lm75"
)

func ExampleNew() {
	// In place of a real bus, the recording of one read.
	bus := &i2ctest.Playback{Ops: []i2ctest.IO{
		{Addr: 0x49, W: []byte{1, 0x68}},
		{Addr: 0x49, W: []byte{0}, R: []byte{0x16, 0x80}},
		{Addr: 0x49, W: []byte{1}, R: []byte{0x68}},
	}}
	sensor, err := lm75.New(bus, lm75.Options{Address: 0x49, Part: "TMP105"})
	if err != nil {
		fmt.Println(err)
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	reading, err := sensor.Read(ctx)
	if err != nil {
		fmt.Println(err)
		return
	}
	celsius, _ := reading.Measured(sensors.Temperature)
	fmt.Printf("%.2f °C\n", celsius.Value)
	// Output: 22.50 °C
}
