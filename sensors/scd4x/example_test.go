package scd4x_test

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors/scd4x"
)

func ExampleNew() {
	// In place of a real bus, the recording of one read.
	bus := &i2ctest.Playback{Ops: []i2ctest.IO{
		{Addr: 0x62, W: []byte{0x3f, 0x86}},
		{Addr: 0x62, W: []byte{0x36, 0x82}},
		{Addr: 0x62, R: []byte{0x73, 0xb1, 0x19, 0xeb, 0x07, 0x7a, 0x3b, 0x0c, 0x54}},
		{Addr: 0x62, W: []byte{0x24, 0x1d, 0x05, 0xda, 0x29}},
		{Addr: 0x62, W: []byte{0x21, 0xb1}},
		{Addr: 0x62, W: []byte{0xe4, 0xb8}},
		{Addr: 0x62, R: []byte{0x80, 0x06, 0x04}},
		{Addr: 0x62, W: []byte{0xec, 0x05}},
		{Addr: 0x62, R: []byte{0x02, 0x2c, 0xa3, 0x67, 0x0d, 0x36, 0x4d, 0x08, 0xf1}},
	}}
	sensor, err := scd4x.New(bus, scd4x.Options{TemperatureOffset: new(4.0)})
	if err != nil {
		fmt.Println(err)
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), 8*time.Second)
	defer cancel()
	reading, err := sensor.Read(ctx)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, v := range reading.Values {
		fmt.Printf("%s %.1f %s\n", v.Channel, v.Value, v.Channel.Unit())
	}
	// Output:
	// co2 556.0 ppm
	// temperature 25.4 Cel
	// humidity 30.1 %RH
}
