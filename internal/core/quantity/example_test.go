package quantity_test

import (
	"fmt"

	"dewline/internal/core/quantity"
)

func ExampleParseValue() {
	celsius, err := quantity.ParseValue(quantity.AirTemperature, "72 degF")
	fmt.Println(quantity.Celsius.Print(celsius, 2), err)

	_, err = quantity.ParseValue(quantity.AirTemperature, "72")
	fmt.Println(err)
	// Output:
	// 22.22 °C <nil>
	// "72" needs a unit, such as "72 °C"
}

func ExampleParseInterval() {
	low, high, err := quantity.ParseInterval(quantity.WaterTemperature, "70–75 °F")
	fmt.Println(quantity.Celsius.Print(low, 1), quantity.Celsius.Print(high, 1), err)
	// Output: 21.1 °C 23.9 °C <nil>
}

// A deadband is a difference: of a temperature, 1.8 °F of it is one kelvin.
func ExampleParseDifference() {
	kelvin, err := quantity.ParseDifference(quantity.AirTemperature, "1.8 °F")
	fmt.Println(quantity.Kelvin.Print(kelvin, 1), err)
	// Output: 1.0 K <nil>
}

func ExampleParsePoint() {
	point, err := quantity.ParsePoint("tub-1/water-temperature")
	fmt.Println(point.Place, point.Quantity, point.Quantity.Unit().Shown(), err)
	// Output: tub-1 water-temperature °C <nil>
}

func ExampleUnit_Print() {
	fmt.Println(quantity.Fahrenheit.Print(22.5, 1))
	fmt.Println(quantity.Kilopascal.Print(597, 2))
	// Output:
	// 72.5 °F
	// 0.60 kPa
}
