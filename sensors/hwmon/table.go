package hwmon

import (
	"dewline/sensors"
	"dewline/sensors/internal/kerneldevice"
)

// known are the kernel drivers by the name they give their device. The humidity range is that of the conversion formula
// where the driver does not clamp, so that a saturated sensor (up to 119 %RH) is reported as such and not as broken. Where a
// part has grades, the accuracy is that of the plainest.
//
// Sources: SHT4x data sheet v6 and Linux sht4x.c (commit 06b7cf39: checks the checksum, does not clamp); SHT3x-DIS data
// sheet and Linux sht3x.c (commit 1975d167: does not check it); TMP102 as in the periph driver; from memory: the
// accuracies of SHT40, SHTC3, SHT21, MCP9808 and TMP275; of LM75, TMP75, TMP105 and TMP175 as in package lm75. Whether the drivers shtc1 and sht21 check the checksum is not
// confirmed, so they count as unchecked; LM75 and alike, TMP102 and MCP9808 (jc42) send none.
var known = map[string]kerneldevice.Facts{
	"sht4x": {Part: "SHT4x",
		Measures: []sensors.Measure{kerneldevice.Temperature(-40, 125, 0.003, 0.2), kerneldevice.Humidity(-6, 119, 0.002, 1.8)}},
	"sht3x": {Part: "SHT3x", Unchecked: true,
		Measures: []sensors.Measure{kerneldevice.Temperature(-40, 125, 0.003, 0.3), kerneldevice.Humidity(0, 100, 0.002, 3)},
		Notes:    []string{"the kernel does not check this part's checksum: dewline's own sht3x driver does"}},
	"shtc1": {Part: "SHTC1", Unchecked: true,
		Measures: []sensors.Measure{kerneldevice.Temperature(-40, 125, 0.003, 0.3), kerneldevice.Humidity(0, 100, 0.002, 3)}},
	"shtc3": {Part: "SHTC3", Unchecked: true,
		Measures: []sensors.Measure{kerneldevice.Temperature(-40, 125, 0.003, 0.2), kerneldevice.Humidity(0, 100, 0.002, 2)}},
	"sht21": {Part: "SHT21", Unchecked: true,
		Measures: []sensors.Measure{kerneldevice.Temperature(-40, 125, 0.01, 0.3), kerneldevice.Humidity(-6, 118, 0.04, 2)}},
	"lm75":   {Part: "LM75", Unchecked: true, Measures: kerneldevice.Thermometer(-55, 125, 0.5, 2)},
	"tmp75":  {Part: "TMP75", Unchecked: true, Measures: kerneldevice.Thermometer(-55, 125, 0.0625, 2)},
	"tmp105": {Part: "TMP105", Unchecked: true, Measures: kerneldevice.Thermometer(-55, 125, 0.0625, 2)},
	"tmp175": {Part: "TMP175", Unchecked: true, Measures: kerneldevice.Thermometer(-55, 125, 0.0625, 2)},
	"tmp275": {Part: "TMP275", Unchecked: true, Measures: kerneldevice.Thermometer(-55, 125, 0.0625, 0.5)},
	"tmp102": {Part: "TMP102", Unchecked: true, Measures: kerneldevice.Thermometer(-55, 125, 0.0625, 0.5)},
	"jc42":   {Part: "MCP9808 or alike", Unchecked: true, Measures: kerneldevice.Thermometer(-40, 125, 0.0625, 0.5)},
}

// factsOf returns what is known of a device by its kernel name.
func factsOf(name string) (kerneldevice.Facts, bool) {
	if f, ok := known[name]; ok {
		return f, true
	}
	return kerneldevice.Unknown, false
}

// elsewhere are devices that hwmon shows too, but which belong to the board or have a driver of their own here.
var elsewhere = map[string]bool{
	"w1_slave_temp": true,                                                             // w1
	"cpu_thermal":   true, "soc_thermal": true, "gpu_thermal": true, "rpi_volt": true, // board
	"coretemp": true, "k10temp": true, "acpitz": true, "nvme": true, "drivetemp": true, "rp1_adc": true, "pwmfan": true,
}
