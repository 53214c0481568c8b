package psychro

import (
	"fmt"
	"math"
	"strings"
)

// Salt is a salt whose saturated solution holds the air above it at a known relative humidity: a fixed point for
// calibration. The zero value is no salt.
type Salt uint8

// The salts, from dry to humid.
const (
	LithiumChloride Salt = iota + 1
	MagnesiumChloride
	SodiumChloride
	PotassiumChloride
	PotassiumSulphate
)

// saltSpec is the polynomial RH = a0 + a1·t + a2·t² + a3·t³ of L. Greenspan, J. Res. Natl. Bur. Stand. 81A (1977) 89–96,
// with t in degrees Celsius. The polynomials come from public transcriptions; that of the linear term of LiCl is often
// printed with a minus sign, which misses the 11.3 % at 25 °C of every table.
type saltSpec struct {
	formula, name string
	coefficients  [4]float64
	highest       float64 // degrees Celsius
	// uncertainty of the polynomial in percent relative humidity: Greenspan's figure at 20 °C, from memory.
	uncertainty float64
}

var salts = [...]saltSpec{
	LithiumChloride:   {"LiCl", "lithium chloride", [4]float64{11.2323, 0.00824245, -0.00021489, 0}, 80, 0.31},
	MagnesiumChloride: {"MgCl2", "magnesium chloride", [4]float64{33.6686, -0.00797397, -0.00108988, 0}, 80, 0.18},
	SodiumChloride:    {"NaCl", "sodium chloride", [4]float64{75.5164, 0.0398321, -0.00265459, 2.848e-5}, 80, 0.14},
	PotassiumChloride: {"KCl", "potassium chloride", [4]float64{88.619, -0.19334, 0.000899706, 0}, 80, 0.29},
	PotassiumSulphate: {"K2SO4", "potassium sulphate", [4]float64{98.7792, -0.0590502, 0, 0}, 50, 0.53},
}

// Salts returns all salts, from dry to humid.
func Salts() []Salt {
	return []Salt{LithiumChloride, MagnesiumChloride, SodiumChloride, PotassiumChloride, PotassiumSulphate}
}

// ParseSalt finds a salt by its formula, such as "NaCl", in upper or lower case.
func ParseSalt(formula string) (Salt, error) {
	var known []string
	for _, s := range Salts() {
		if strings.EqualFold(formula, s.Formula()) {
			return s, nil
		}
		known = append(known, s.Formula())
	}
	return 0, fmt.Errorf("unknown salt %q: use one of %s", formula, strings.Join(known, ", "))
}

func (s Salt) spec() saltSpec {
	if int(s) >= len(salts) {
		return saltSpec{}
	}
	return salts[s]
}

// Formula returns the chemical formula, such as "NaCl".
func (s Salt) Formula() string { return s.spec().formula }

// String returns the name, such as "sodium chloride".
func (s Salt) String() string { return s.spec().name }

// RelativeHumidity returns the relative humidity in percent over the saturated solution at the given temperature, by
// Greenspan 1977. It is NaN below 0 °C and above 80 °C (50 °C for potassium sulphate).
func (s Salt) RelativeHumidity(celsius float64) (percentRH float64) {
	spec := s.spec()
	if spec.formula == "" || !(celsius >= 0 && celsius <= spec.highest) {
		return math.NaN()
	}
	c := spec.coefficients
	return c[0] + celsius*(c[1]+celsius*(c[2]+celsius*c[3]))
}

// RelativeHumidityUncertainty returns the expanded uncertainty (k = 2) of [Salt.RelativeHumidity] in percent relative
// humidity, from that of the temperature and that of the polynomial. The latter is Greenspan's figure at 20 °C,
// from memory and unconfirmed; published measurements of sodium chloride (Wexler & Hasegawa 1954, 74.9 % at 0 °C) lie
// up to 0.6 % from his polynomial. It holds for a solution with undissolved salt in a closed vessel of one temperature:
// 1 K between the solution and the sensor is an error of about 6 % of the reading, which no figure here contains.
func (s Salt) RelativeHumidityUncertainty(celsius, uKelvin float64) (percentRH float64) {
	if math.IsNaN(s.RelativeHumidity(celsius)) {
		return math.NaN()
	}
	spec := s.spec()
	c := spec.coefficients
	perKelvin := c[1] + celsius*(2*c[2]+celsius*3*c[3])
	return combine(spec.uncertainty, perKelvin*uKelvin)
}
