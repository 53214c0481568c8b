package mcp9808_test

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors"
	"dewline/sensors/mcp9808"
)

func ExampleNew() {
	// In place of a real bus, the recording of one read.
	bus := &i2ctest.Playback{Ops: []i2ctest.IO{
		{Addr: 0x18, W: []byte{6}, R: []byte{0x00, 0x54}},
		{Addr: 0x18, W: []byte{7}, R: []byte{0x04, 0x00}},
		{Addr: 0x18, W: []byte{1, 0, 0}},
		{Addr: 0x18, W: []byte{8, 3}},
		{Addr: 0x18, W: []byte{2, 0x05, 0x50}},
		{Addr: 0x18, W: []byte{5}, R: []byte{0xC1, 0x68}},
		{Addr: 0x18, W: []byte{2}, R: []byte{0x05, 0x50}},
		{Addr: 0x18, W: []byte{1}, R: []byte{0, 0}},
	}}
	sensor, err := mcp9808.New(bus, mcp9808.Options{Address: 0x18})
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
