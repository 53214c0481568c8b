package hwmon_test

import (
	"context"
	"fmt"

	"dewline/sensors/hwmon"
)

func ExampleNew() {
	sensor, err := hwmon.New(hwmon.Options{Name: "sht4x", Device: "1-0044", Root: "../../testdata/sys/north-loft"})
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
		m, _ := sensor.Describe().MeasureOf(v.Channel)
		fmt.Printf("%s %.1f ± %.1f %s\n", v.Channel, v.Value, m.Accuracy, v.Channel.Unit())
	}
	// Output:
	// temperature 23.4 ± 0.2 Cel
	// humidity 81.9 ± 1.8 %RH
}

func ExampleDiscover() {
	found, err := hwmon.Discover(context.Background(), "../../testdata/sys/north-loft")
	fmt.Println(found[0].Name, found[0].Address, found[0].Part, found[0].Channels, err)
	// Output: sht4x 1-0044 SHT4x [temperature humidity] <nil>
}
