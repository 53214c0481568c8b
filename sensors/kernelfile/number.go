package kernelfile

import (
	"strconv"
	"strings"

	"dewline/sensors"
)

// ParseInteger reads the decimal integer of a kernel file. Anything else is an error of kind Checksum: garbled.
func ParseInteger(text []byte) (int64, error) {
	n, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	if err != nil {
		return 0, sensors.Errorf(sensors.Checksum, "garbled text %q where an integer belongs", text)
	}
	return n, nil
}

// ParseDecimal reads a decimal number such as "41.074000000" or "24540". Exponents, "inf" and "nan" are garbled too: the
// kernel prints none of them (IIO core, iio_format_value).
func ParseDecimal(text []byte) (float64, error) {
	plain := strings.TrimSpace(string(text))
	x, err := strconv.ParseFloat(plain, 64)
	if err != nil || strings.Trim(plain, "0123456789.-") != "" {
		return 0, sensors.Errorf(sensors.Checksum, "garbled text %q where a decimal number belongs", text)
	}
	return x, nil
}
