package bme280

import (
	"encoding/binary"
	"errors"
	"slices"

	"dewline/sensors"
	"dewline/sensors/internal/chip"
)

// The burst begins at ctrl_hum and runs to the last data register, 0xFE (0xFC on a BMP280, where 0xF2 holds nothing).
const (
	burstStart        = registerHumidity
	burstLength       = 13
	burstLengthBMP280 = 11

	atHumidity    = registerHumidity - burstStart
	atMeasure     = registerMeasure - burstStart
	atPressure    = 0xF7 - burstStart
	atTemperature = 0xFA - burstStart
	atRelative    = 0xFD - burstStart
)

// The words where a measurement was skipped or never made (BME280 datasheet, from memory).
const (
	skipped20 = 0x80000
	skipped16 = 0x8000
)

// errSettings says that the part no longer has the settings it was given.
var errSettings = errors.New("settings were lost")

// trimming holds the constants burnt into each part. The names are the datasheet's.
type trimming struct {
	t1     uint16
	t2, t3 int16
	p1     uint16
	p      [10]int16 // p[2] to p[9]
	humid  bool
	h1, h3 uint8
	h2     int16
	h4, h5 int16 // 12 bits with sign
	h6     int8
}

// parseTrimming reads the 26 bytes from 0x88, and the 7 bytes from 0xE1 where they follow.
func parseTrimming(b []byte) (trimming, error) {
	if len(b) != 26 && len(b) != 33 {
		return trimming{}, sensors.Errorf(sensors.Implausible, "a trimming of %d bytes, want 26 or 33", len(b))
	}
	if uniform(b[:24]) || (len(b) == 33 && uniform(b[26:])) {
		return trimming{}, sensors.Errorf(sensors.Implausible, "the trimming is nothing but bytes of %#02x", b[len(b)-1])
	}
	word := func(i int) uint16 { return binary.LittleEndian.Uint16(b[i:]) }
	t := trimming{t1: word(0), t2: int16(word(2)), t3: int16(word(4)), p1: word(6)}
	for i := 2; i <= 9; i++ {
		t.p[i] = int16(word(4 + 2*i))
	}
	if t.t1 == 0 || t.p1 == 0 {
		return trimming{}, sensors.Errorf(sensors.Implausible, "dig_T1 or dig_P1 of the trimming is zero")
	}
	if len(b) == 33 {
		e := b[26:] // from 0xE1
		t.humid = true
		t.h1, t.h2, t.h3 = b[25], int16(word(26)), e[2]
		// Two 12-bit numbers share the byte 0xE5; the sign of each is in its own upper byte.
		t.h4 = int16(int8(e[3]))<<4 | int16(e[4]&0x0F)
		t.h5 = int16(int8(e[5]))<<4 | int16(e[4]>>4)
		t.h6 = int8(e[6])
	}
	return t, nil
}

// uniform reports whether all bytes are FF, or all are 00: a wire held high or low.
func uniform(b []byte) bool {
	return (b[0] == 0x00 || b[0] == 0xFF) && !slices.ContainsFunc(b, func(c byte) bool { return c != b[0] })
}

// convert turns a burst into values within the part's ranges: temperature, pressure, and humidity where the trimming has it.
func (t trimming) convert(burst []byte) ([]sensors.Value, error) {
	want := burstLengthBMP280
	if t.humid {
		want = burstLength
	}
	if len(burst) != want {
		return nil, sensors.Errorf(sensors.Implausible, "a measurement of %d bytes, want %d", len(burst), want)
	}
	if uniform(burst) || uniform(burst[atPressure:]) {
		return nil, sensors.Errorf(sensors.Implausible, "the measurement is nothing but bytes of %#02x", burst[len(burst)-1])
	}
	if burst[atMeasure]&settings != oversampleRest || (t.humid && burst[atHumidity]&humiditySetting != oversampleHumidity) {
		return nil, errSettings
	}
	word20 := func(at int) int32 { return int32(burst[at])<<12 | int32(burst[at+1])<<4 | int32(burst[at+2])>>4 }
	up, ut := word20(atPressure), word20(atTemperature)
	if ut == skipped20 || up == skipped20 {
		return nil, sensors.Errorf(sensors.Implausible, "temperature %#05x, pressure %#05x: one was not measured", ut, up)
	}
	fine := t.fine(ut)
	pascal, err := t.pascal(up, fine)
	if err != nil {
		return nil, err
	}
	values := []sensors.Value{
		{Channel: sensors.Temperature, Value: celsius(fine), Raw: uint64(ut)},
		{Channel: sensors.Pressure, Value: pascal, Raw: uint64(up)},
	}
	if t.humid {
		uh := binary.BigEndian.Uint16(burst[atRelative:])
		if uh == skipped16 {
			return nil, sensors.Errorf(sensors.Implausible, "humidity %#04x: it was not measured", uh)
		}
		values = append(values, sensors.Value{Channel: sensors.Humidity, Value: t.percent(uh, fine), Raw: uint64(uh)})
	}
	if err := chip.Check(measures, values); err != nil {
		return nil, err
	}
	return values, nil
}

// fine returns t_fine, the temperature in 1/5120 °C, by the datasheet's integer formula. The intermediate numbers are kept in
// 64 bits, where no word and no trimming overflows.
func (t trimming) fine(ut int32) int64 {
	x := int64(ut)>>3 - int64(t.t1)<<1
	y := int64(ut)>>4 - int64(t.t1)
	return x*int64(t.t2)>>11 + (y*y>>12)*int64(t.t3)>>14
}

// celsius returns the temperature in steps of 0.01 °C, as the datasheet's integer formula does.
func celsius(fine int64) float64 { return float64((fine*5+128)>>8) / 100 }

// pascal returns the pressure by the datasheet's 64-bit integer formula, in steps of 1/256 Pa.
func (t trimming) pascal(up int32, fine int64) (float64, error) {
	x := fine - 128000
	y := x*x*int64(t.p[6]) + x*int64(t.p[5])<<17 + int64(t.p[4])<<35
	x = x*x*int64(t.p[3])>>8 + x*int64(t.p[2])<<12
	x = (1<<47 + x) * int64(t.p1) >> 33
	if x == 0 {
		return 0, sensors.Errorf(sensors.Implausible, "the trimming gives no pressure")
	}
	p := (int64(1048576-up)<<31 - y) * 3125 / x
	p = (p + int64(t.p[9])*(p>>13)*(p>>13)>>25 + int64(t.p[8])*p>>19) >> 8
	return float64(p+int64(t.p[7])<<4) / 256, nil
}

// percent returns relative humidity by the datasheet's integer formula, in steps of 1/1024 %, without its clamp to 0 to 100,
// so that saturation and faults are seen for what they are. The floating-point formula differs by 0.01 % or so.
func (t trimming) percent(uh uint16, fine int64) float64 {
	x := fine - 76800
	y := (x*int64(t.h6)>>10*(x*int64(t.h3)>>11+32768)>>10+2097152)*int64(t.h2) + 8192
	x = (int64(uh)<<14 - int64(t.h4)<<20 - int64(t.h5)*x + 16384) >> 15 * (y >> 14)
	x -= (x >> 15) * (x >> 15) >> 7 * int64(t.h1) >> 4
	return float64(x>>12) / 1024
}
