// Package sensirion is the core that the drivers of SHT3x and SHT4x share: frames of two words with a checksum each, the
// temperature formula, the serial number.
package sensirion

import (
	"context"
	"fmt"
	"time"

	"dewline/sensors"
	"dewline/sensors/internal/chip"
)

// CRCInitial is the initial value of the checksum (SHT3x-DIS datasheet, table 20: BEEF has the checksum 92).
const CRCInitial = 0xFF

// frameLength is that of two words with a checksum each.
const frameLength = 6

// Pair is a frame without its checksums: temperature and humidity of a measurement, or the halves of a serial number.
type Pair struct{ First, Second uint16 }

// Decode takes a frame apart and checks both checksums.
func Decode(frame []byte) (Pair, error) {
	if len(frame) != frameLength {
		return Pair{}, sensors.Errorf(sensors.Implausible, "a frame of %d bytes, want %d", len(frame), frameLength)
	}
	words, err := chip.Words(CRCInitial, frame)
	if err != nil {
		return Pair{}, err
	}
	return Pair{words[0], words[1]}, nil
}

// Celsius converts a temperature word (SHT3x-DIS datasheet v5 §4.13; the same for SHT4x).
func Celsius(word uint16) float64 { return -45 + 175*float64(word)/65535 }

// Formula says how a part converts its words, and what they may be.
type Formula struct {
	Measures []sensors.Measure
	Humidity func(word uint16) float64 // percent relative humidity
}

// Reading converts the frame of a measurement. The frame becomes the reading's evidence, also on an error.
func (f Formula) Reading(frame []byte) (sensors.Measurement, error) {
	evidence := sensors.Measurement{Evidence: frame}
	pair, err := Decode(frame)
	if err != nil {
		return evidence, err
	}
	values := []sensors.Value{
		{Channel: sensors.Temperature, Value: Celsius(pair.First), Raw: uint64(pair.First)},
		{Channel: sensors.Humidity, Value: f.Humidity(pair.Second), Raw: uint64(pair.Second)},
	}
	if err := chip.Check(f.Measures, values); err != nil {
		return evidence, err
	}
	return sensors.Measurement{Values: values, Evidence: frame}, nil
}

// Measure gives the command of a measurement, waits for it and converts its frame.
func (f Formula) Measure(ctx context.Context, conn *chip.Conn, wait time.Duration, command ...byte) (sensors.Measurement, error) {
	frame, err := conn.Command(ctx, "measuring", wait, frameLength, command...)
	if err != nil {
		return sensors.Measurement{}, err
	}
	return f.Reading(frame)
}

// Serial reads the serial number by the given command. The frame is returned as evidence, also on an error.
func Serial(ctx context.Context, conn *chip.Conn, command ...byte) (serial uint32, frame []byte, err error) {
	frame, err = conn.Command(ctx, "reading the serial number", time.Millisecond, frameLength, command...)
	if err != nil {
		return 0, nil, err
	}
	pair, err := Decode(frame)
	if err != nil {
		return 0, frame, fmt.Errorf("reading the serial number: %w", err)
	}
	return uint32(pair.First)<<16 | uint32(pair.Second), frame, nil
}
