package tmp102_test

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors"
	"dewline/sensors/tmp102"
)

func ExampleNew() {
	// In place of a real bus, the recording of one read.
	bus := &i2ctest.Playback{Ops: []i2ctest.IO{
		{Addr: 0x48, W: []byte{1}, R: []byte{0x60, 0xA0}},
		{Addr: 0x48, W: []byte{1, 0x60, 0x40}},
		{Addr: 0x48, W: []byte{0}, R: []byte{0x16, 0x80}},
		{Addr: 0x48, W: []byte{1}, R: []byte{0x60, 0x40}},
	}}
	sensor, err := tmp102.New(bus, tmp102.Options{Address: 0x48})
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
