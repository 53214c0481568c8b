package iio_test

import (
	"context"
	"fmt"

	"dewline/sensors/iio"
)

func ExampleNew() {
	sensor, err := iio.New(iio.Options{Name: "bme680", Root: "../../testdata/sys/north-loft"})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer sensor.Close()
	reading, err := sensor.Read(context.Background())
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, v := range reading.Values {
		fmt.Printf("%s %.7g %s\n", v.Channel, v.Value, v.Channel.Unit())
	}
	// Output:
	// temperature 24.54 Cel
	// humidity 41.074 %RH
	// pressure 101435 Pa
}

func ExampleDiscover() {
	found, err := iio.Discover(context.Background(), "../../testdata/sys/north-loft")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range found {
		fmt.Println(f.Name, f.Address, f.Channels)
	}
	// Output:
	// bme280 1-0076 [temperature humidity pressure]
	// bme680 1-0077 [temperature humidity pressure]
	// dht11 dht11@11 [temperature humidity]
	// si7020 1-0040 [temperature humidity]
}
