package psychro_test

import (
	"fmt"
	"math"

	"dewline/internal/core/psychro"
)

// A tub at 24.0 ± 0.4 °C and 80 ± 3 %: is its lid, at 20.5 ± 0.5 °C, about to drip? Invented readings.
func Example() {
	dewPoint, _, _ := psychro.Derive(24.0, 80.0)
	margin, u := 20.5-dewPoint, math.Hypot(0.5, psychro.DewPointUncertainty(24.0, 80.0, 0.4, 3.0))
	fmt.Printf("margin %.2f ± %.2f K\n", margin, u)
	if margin > u {
		fmt.Println("the lid stays dry")
	} else {
		fmt.Println("too close to call")
	}
	// Output:
	// margin 0.16 ± 0.88 K
	// too close to call
}

func ExampleDerive() {
	dewPoint, deficit, humidity := psychro.Derive(24.0, 80.0)
	fmt.Printf("dew point %.2f °C, deficit %.0f Pa, %.2f g/m³\n", dewPoint, deficit, 1000*humidity)
	// Output: dew point 20.34 °C, deficit 597 Pa, 17.42 g/m³
}

func ExampleClampHumidity() {
	percent, clamped := psychro.ClampHumidity(103.7) // as a wet sensor reports it
	fmt.Println(percent, clamped)
	// Output: 100 true
}

func ExampleOxygenSaturation() {
	fmt.Printf("%.1f mg/L\n", 1000*psychro.OxygenSaturation(20, 101_325))
	// Output: 9.1 mg/L
}

func ExampleSalt_RelativeHumidity() {
	salt, err := psychro.ParseSalt("NaCl")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s at 22 °C: %.1f ± %.1f %%RH\n", salt, salt.RelativeHumidity(22), salt.RelativeHumidityUncertainty(22, 1))
	// Output: sodium chloride at 22 °C: 75.4 ± 0.1 %RH
}

func ExampleMeanKineticTemperature() {
	// Eight hours climbing from 20 to 30 °C, sixteen at 20 °C. Invented.
	integral := psychro.KineticIntegral(20, 30, 8*3600) + psychro.KineticIntegral(20, 20, 16*3600)
	fmt.Printf("%.2f °C\n", psychro.MeanKineticTemperature(integral, 24*3600))
	// Output: 22.18 °C
}
