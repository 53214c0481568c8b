package w1

import (
	"math"

	"dewline/sensors"
	"dewline/sensors/internal/scratchpad"
)

// jumpKelvin is how far the two favourite values of a broken probe, 85 and 0 °C, must be from the last reading to be
// taken for a fault where no bytes show it (engineering judgement, no published source).
const jumpKelvin = 5

// The kernel's millidegrees for words that are no temperature. It cuts off toward zero: 127.9375 becomes 127937.
const (
	milliPowerOn   = 85_000
	milliBrokenOff = 127_937
)

// memory is what is known of a probe from its earlier readings.
type memory struct {
	celsius float64 // the last good value
	known   bool    // there is one
}

// near reports whether the last reading makes a value believable.
func (m memory) near(celsius float64) bool {
	return m.known && math.Abs(m.celsius-celsius) <= jumpKelvin
}

// judgeBytes returns the temperature of a scratchpad, after [scratchpad.Parse] has refused what is wrong by itself.
func judgeBytes(rom scratchpad.ROM, pad []byte, last memory) (sensors.Value, error) {
	t, err := scratchpad.Parse(rom.Family(), pad)
	if err != nil {
		return sensors.Value{}, err
	}
	// On an original byte 6 proves a true 85 °C. Copies may hold anything there, so for them the last reading decides.
	if t.Celsius == 85 && !(original(pad, t.Bits) && !rom.Clone()) && !last.near(t.Celsius) {
		return sensors.Value{}, sensors.Errorf(sensors.Implausible,
			"exactly 85 °C, far from the last reading, is the power-on value: the probe lost its power; check its supply wire")
	}
	return sensors.Value{Channel: sensors.Temperature, Value: t.Celsius, Raw: uint64(t.Raw)}, nil
}

// original reports whether a scratchpad is one that an original DS18B20 can hold: byte 5 is FF, byte 7 is 10 hex, and in
// 12-bit mode byte 6 complements the sixteenths of byte 0. Source: cpetrich/counterfeit_DS18B20.
func original(pad []byte, bits int) bool {
	return pad[5] == 0xFF && pad[7] == 0x10 && (bits != 12 || (pad[0]+pad[6])&15 == 0)
}

// judgeMilli returns the temperature of a file that holds nothing but millidegrees.
func judgeMilli(milli int64, last memory) (sensors.Value, error) {
	celsius := float64(milli) / 1000
	switch {
	case milli == milliBrokenOff:
		return sensors.Value{}, sensors.Errorf(sensors.Implausible,
			"127.937 °C marks a conversion that broke off: check the probe's supply")
	case milli == milliPowerOn && !last.near(celsius):
		return sensors.Value{}, sensors.Errorf(sensors.Implausible,
			"exactly 85 °C, far from the last reading, is the power-on value: the probe lost its power; check its supply wire")
	case milli == 0 && !last.near(celsius):
		return sensors.Value{}, sensors.Errorf(sensors.Implausible,
			"exactly 0 °C, far from the last reading, is an empty scratchpad: check for a short circuit")
	case celsius < scratchpad.LowestCelsius || celsius > scratchpad.HighestCelsius:
		return sensors.Value{}, sensors.Errorf(sensors.Implausible, "%g °C is outside the part's range of %d to %d °C",
			celsius, scratchpad.LowestCelsius, scratchpad.HighestCelsius)
	}
	// The kernel cut the sixteenths to whole millidegrees; rounding finds the word again.
	word := int16(math.Round(celsius * 16))
	return sensors.Value{Channel: sensors.Temperature, Value: float64(word) / 16, Raw: uint64(uint16(word))}, nil
}
