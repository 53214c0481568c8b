package hdc302x_test

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors"
	"dewline/sensors/hdc302x"
)

func ExampleNew() {
	// In place of a real bus, the recording of one read.
	bus := &i2ctest.Playback{Ops: []i2ctest.IO{
		{Addr: 0x44, W: []byte{0x30, 0x93}},
		{Addr: 0x44, W: []byte{0x37, 0x81}, R: []byte{0x30, 0x00, 0x33}},
		{Addr: 0x44, W: []byte{0x21, 0x30}},
		{Addr: 0x44, W: []byte{0xf3, 0x2d}, R: []byte{0x80, 0x10, 0xe1}},
		{Addr: 0x44, W: []byte{0x30, 0x41}},
		{Addr: 0x44, W: []byte{0xe0, 0x00}, R: []byte{0x68, 0xc5, 0x51, 0x3b, 0x82, 0x31}},
		{Addr: 0x44, W: []byte{0xf3, 0x2d}, R: []byte{0x00, 0x00, 0x81}},
		{Addr: 0x44, W: []byte{0x30, 0x41}},
	}}
	sensor, err := hdc302x.New(bus, hdc302x.Options{Address: 0x44})
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
	percent, _ := reading.Measured(sensors.Humidity)
	fmt.Printf("%.2f °C, %.1f %%RH\n", celsius.Value, percent.Value)
	// Output: 26.62 °C, 23.2 %RH
}
