package w1_test

import (
	"context"
	"fmt"
	"time"

	"dewline/sensors"
	"dewline/sensors/w1"
)

func ExampleNew() {
	sensor, err := w1.New(w1.Options{ROM: "28-0316a2794bff", Root: "../../testdata/sys/north-loft"})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer sensor.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
	defer cancel()
	reading, err := sensor.Read(ctx)
	if err != nil {
		fmt.Println(err)
		return
	}
	celsius, _ := reading.Measured(sensors.Temperature)
	accuracy, _ := sensor.Describe().MeasureOf(sensors.Temperature)
	fmt.Printf("%.2f ± %.1f °C, word %04x, %q\n", celsius.Value, accuracy.Accuracy, celsius.Raw, sensor.Describe().Notes)
	// Output: 22.75 ± 2.0 °C, word 016c, ["a copy of the original part: check it in ice water first"]
}

func ExampleDiscover() {
	found, err := w1.Discover(context.Background(), "../../testdata/sys/north-loft")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, f := range found {
		fmt.Println(f.Part, f.Address, f.Bus, f.Notes)
	}
	// Output:
	// DS18B20 28-00000b3c5d1e w1_bus_master1 []
	// DS18B20 28-00000b3c60a2 w1_bus_master1 []
	// DS18B20 28-00000b3c6a77 w1_bus_master1 []
	// DS18B20 28-0316a2794bff w1_bus_master1 [a copy of the original part: check it in ice water first]
}

func ExampleParseSlave() {
	slave, err := w1.ParseSlave([]byte("91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"))
	fmt.Printf("% x %v %v %v\n", slave.Scratchpad, slave.Good, slave.Millicelsius, err)
	_, err = w1.ParseSlave([]byte("nothing of the sort"))
	fmt.Println(sensors.KindOf(err))
	// Output:
	// 91 01 4b 46 7f ff 0f 10 25 true 25062 <nil>
	// checksum
}
