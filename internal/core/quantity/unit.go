package quantity

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Unit is a unit that text may carry. Its zero value is no unit.
type Unit uint8

// The units that are understood. The first five are canonical: values are kept in them.
const (
	NoUnit Unit = iota
	Celsius
	PercentRelativeHumidity
	Pascal
	KilogramPerCubicMetre
	Kelvin
	Fahrenheit
	FahrenheitDegree // a difference of one degree Fahrenheit
	Ratio
	Percent
	Hectopascal
	Kilopascal
	GramPerCubicMetre
	MilligramPerLitre
)

// unitSpec says how a unit is written, which canonical unit it becomes, and how: canonical = value·scale + offset.
type unitSpec struct {
	symbol    string   // how it is printed; the SenML symbol where the registry has one
	shown     string   // how it is shown to people
	spellings []string // further ways to write it
	canonical Unit
	scale     float64
	offset    float64
}

var units = map[Unit]unitSpec{
	Celsius:                 {"Cel", "°C", []string{"degC", "C", "celsius", "℃"}, Celsius, 1, 0},
	PercentRelativeHumidity: {"%RH", "%RH", []string{"% RH"}, PercentRelativeHumidity, 1, 0},
	Pascal:                  {"Pa", "Pa", nil, Pascal, 1, 0},
	KilogramPerCubicMetre:   {"kg/m3", "kg/m³", nil, KilogramPerCubicMetre, 1, 0},
	Kelvin:                  {"K", "K", nil, Kelvin, 1, 0},
	Fahrenheit:              {"degF", "°F", []string{"F", "fahrenheit", "℉"}, Celsius, 5. / 9, -160. / 9},
	FahrenheitDegree:        {"degF", "°F", nil, Kelvin, 5. / 9, 0},
	Ratio:                   {"/", "/", nil, PercentRelativeHumidity, 100, 0},
	Percent:                 {"%", "%", nil, PercentRelativeHumidity, 1, 0},
	Hectopascal:             {"hPa", "hPa", []string{"mbar"}, Pascal, 100, 0},
	Kilopascal:              {"kPa", "kPa", nil, Pascal, 1000, 0},
	GramPerCubicMetre:       {"g/m3", "g/m³", nil, KilogramPerCubicMetre, 1e-3, 0},
	MilligramPerLitre:       {"mg/L", "mg/L", []string{"mg/l"}, KilogramPerCubicMetre, 1e-3, 0},
}

// Symbol returns the unit as data files and messages carry it, such as "Cel".
func (u Unit) Symbol() string { return units[u].symbol }

// Shown returns the unit as people read it, such as "°C".
func (u Unit) Shown() string { return units[u].shown }

// String returns the symbol.
func (u Unit) String() string { return u.Symbol() }

// ToCanonical turns a value in u into the canonical unit of its kind. Without a unit it is returned as it is.
func (u Unit) ToCanonical(value float64) float64 {
	spec, found := units[u]
	if !found {
		return value
	}
	if u == Fahrenheit { // one rounding instead of two, so that 72 °F is the number closest to 200/9 °C
		return (value - 32) * 5 / 9
	}
	return value*spec.scale + spec.offset
}

// FromCanonical turns a canonical value into u. Without a unit it is returned as it is.
func (u Unit) FromCanonical(value float64) float64 {
	spec, found := units[u]
	if !found {
		return value
	}
	if u == Fahrenheit {
		return value*9/5 + 32
	}
	return (value - spec.offset) / spec.scale
}

// ParseUnit finds a unit by its spelling: SenML symbols, °C and °F, and the common variants of data sheets.
func ParseUnit(text string) (Unit, error) {
	for u := Celsius; u <= MilligramPerLitre; u++ {
		spec := units[u]
		if u == FahrenheitDegree {
			continue
		}
		if text == spec.symbol || text == spec.shown || slices.Contains(spec.spellings, text) {
			return u, nil
		}
	}
	return NoUnit, fmt.Errorf("unknown unit %q", text)
}

// For returns u as a unit of quantity q, or an error where q cannot be given in u. It settles the spellings that mean
// different things for different quantities: "%" is percent relative humidity, and "degF" and "degC" are differences
// for a condensation margin.
func (u Unit) For(q Quantity) (Unit, error) {
	if q.Unit() == Kelvin {
		switch u {
		case Fahrenheit:
			u = FahrenheitDegree
		case Celsius:
			u = Kelvin
		}
	}
	if q.Unit() == Celsius && u == Kelvin {
		return NoUnit, fmt.Errorf("%s cannot be given in K, which is read as a difference: use degC or degF", q)
	}
	if units[u].canonical != q.Unit() {
		return NoUnit, fmt.Errorf("%s is not a unit of %s (try %s)", u.Shown(), q, q.Unit().Shown())
	}
	return u, nil
}

// ParseValue reads a number with its unit as a value of q and returns it in the canonical unit: "72 degF", "22 °C",
// "80 %", "0.8 kPa". A bare number is an error.
func ParseValue(q Quantity, text string) (float64, error) {
	number, u, err := numberAndUnit(text, q.Unit())
	if err != nil {
		return 0, err
	}
	u, err = u.For(q)
	if err != nil {
		return 0, err
	}
	return finite(text, u.ToCanonical(number))
}

// numberAndUnit reads a number with its unit; usual is the unit that an error names.
func numberAndUnit(text string, usual Unit) (number float64, unit Unit, err error) {
	number, symbol, err := splitNumber(text)
	if err != nil {
		return 0, NoUnit, err
	}
	if symbol == "" {
		return 0, NoUnit, fmt.Errorf("%q needs a unit, such as %q", text, text+" "+usual.Shown())
	}
	unit, err = ParseUnit(symbol)
	return number, unit, err
}

// finite returns a converted value, or an error where the conversion has left the range of numbers.
func finite(text string, value float64) (float64, error) {
	if math.IsInf(value, 0) {
		return 0, fmt.Errorf("%q is too large to be used", text)
	}
	return value, nil
}

// ParseDifference reads a difference of two values of q, such as a deadband ("0.3 K", "1 degF", "3 %RH"), and returns
// it in the canonical unit (kelvin for temperatures).
func ParseDifference(q Quantity, text string) (float64, error) {
	number, u, err := numberAndUnit(text, q.DifferenceUnit())
	if err != nil {
		return 0, err
	}
	switch {
	case q.DifferenceUnit() == Kelvin && (u == Celsius || u == Kelvin):
		u = Kelvin
	case q.DifferenceUnit() == Kelvin && u == Fahrenheit:
		u = FahrenheitDegree
	default:
		if u, err = u.For(q); err != nil {
			return 0, err
		}
	}
	return finite(text, u.ToCanonical(number))
}

// DifferenceUnit returns the canonical unit of a difference of two values of q.
func (q Quantity) DifferenceUnit() Unit {
	if q.Unit() == Celsius {
		return Kelvin
	}
	return q.Unit()
}

// ParseInterval reads a low and a high value of q with one unit behind them: "70–75 °F", "80 to 100 %RH",
// "0.2-0.6 kPa", "-5..-2 °C". Both are returned in the canonical unit.
func ParseInterval(q Quantity, text string) (low, high float64, err error) {
	if _, _, err := splitNumber(text); err != nil {
		return 0, 0, err
	}
	rest := strings.TrimSpace(text)
	first, after := leadingNumber(rest)
	after = strings.TrimSpace(after)
	second, found := after, false
	for _, dash := range []string{"–", "—", "to ", "..", "-", "−"} {
		if second, found = strings.CutPrefix(after, dash); found {
			break
		}
	}
	if !found {
		return 0, 0, fmt.Errorf("%q is not of the form low–high unit", text)
	}
	_, unit, err := splitNumber(second)
	if err != nil {
		return 0, 0, err
	}
	if unit == "" {
		return 0, 0, fmt.Errorf("%q needs a unit, such as %q", text, rest+" "+q.Unit().Shown())
	}
	if low, err = ParseValue(q, first+" "+unit); err != nil {
		return 0, 0, err
	}
	if high, err = ParseValue(q, second); err != nil {
		return 0, 0, err
	}
	if low > high {
		return 0, 0, fmt.Errorf("%q: the low end lies above the high end", text)
	}
	return low, high, nil
}

// Print writes a canonical value in u with the given number of decimals and the unit as people read it: "72.0 °F".
func (u Unit) Print(canonical float64, decimals int) string {
	number := strconv.FormatFloat(u.FromCanonical(canonical), 'f', decimals, 64)
	if strings.HasPrefix(number, "-") && strings.Trim(number, "-0.") == "" { // what is rounded to zero has no sign
		number = number[1:]
	}
	return strings.TrimSuffix(number+" "+u.Shown(), " ")
}

// minuses are the signs that stand for a minus at the head of a number: beside the one of keyboards the typographic
// minus, and the en dash, which word processors put in its place.
const minuses = "-−–"

// plain writes a number that leadingNumber has found in the characters that strconv reads.
var plain = strings.NewReplacer("−", "-", "–", "-")

// splitNumber parts "72 degF" into 72 and "degF".
func splitNumber(text string) (number float64, unit string, err error) {
	trimmed := strings.TrimSpace(text)
	digits, rest := leadingNumber(trimmed)
	if digits == "" {
		return 0, "", fmt.Errorf("%q does not begin with a number", text)
	}
	if decimals, found := strings.CutPrefix(rest, ","); found && startsWithDigit(decimals) {
		return 0, "", fmt.Errorf("%q has a comma in its number: write the decimals behind a point, and no thousands separators", text)
	}
	number, err = strconv.ParseFloat(plain.Replace(digits), 64)
	if err != nil {
		return 0, "", fmt.Errorf("%q is not a number that can be used", digits)
	}
	return number, strings.TrimSpace(rest), nil
}

// leadingNumber cuts a decimal number off the front of text, with an optional sign and an exponent.
func leadingNumber(text string) (digits, rest string) {
	end := signLength(text)
	for end < len(text) {
		switch c := text[end]; {
		case c >= '0' && c <= '9', c == '.' && !strings.HasPrefix(text[end:], ".."):
			end++
		case (c == 'e' || c == 'E') && end > 0 && startsWithDigit(text[end+1+signLength(text[end+1:]):]):
			end += 1 + signLength(text[end+1:]) // the exponent's own sign is taken with it
		default:
			return text[:end], text[end:]
		}
	}
	return text, ""
}

// signLength returns how many bytes of text are its sign: 0 where it has none.
func signLength(text string) int {
	r, size := utf8.DecodeRuneInString(text)
	if r == '+' || strings.ContainsRune(minuses, r) {
		return size
	}
	return 0
}

// startsWithDigit reports whether text begins with a decimal digit.
func startsWithDigit(text string) bool { return text != "" && text[0] >= '0' && text[0] <= '9' }
