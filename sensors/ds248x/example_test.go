package ds248x_test

import (
	"fmt"

	"periph.io/x/conn/v3/i2c/i2ctest"

	"dewline/sensors/ds248x"
)

// Two probes behind one master. Nothing is asked of the devices before the first read.
func ExampleMaster_Probe() {
	bus := &i2ctest.Playback{}
	master, err := ds248x.New(bus, ds248x.Options{Address: 0x18})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, rom := range []string{"28-00000a2794bf", "28-0316a2794bff", "29-0316a2794bff"} {
		probe, err := master.Probe(ds248x.ProbeOptions{ROM: rom})
		if err != nil {
			fmt.Println(err)
			continue
		}
		d := probe.Describe()
		fmt.Printf("%s, ±%g K %q\n", d.Where, d.Measures[0].Accuracy, d.Notes)
	}
	// Output:
	// playback 0x18 28-00000a2794bf, ±0.5 K []
	// playback 0x18 28-0316a2794bff, ±2 K ["a copy of the original part: check it in ice water first"]
	// ds248x: ROM code 29-0316a2794bff: family 29 is no thermometer of the DS18B20 kind
}
