package quantity

import "fmt"

// Flag is the quality of a reading, with the values of the IOOS QARTOD manuals (Manual for Real-Time Quality Control
// of In-situ Temperature and Salinity Data, v2.0, 2016).
type Flag uint8

// The quality flags.
const (
	Pass         Flag = 1
	NotEvaluated Flag = 2
	Suspect      Flag = 3
	Fail         Flag = 4
	Missing      Flag = 9
)

// Usable reports whether a reading with this flag takes part in zones, exposure and alarms.
func (f Flag) Usable() bool { return f == Pass || f == NotEvaluated || f == Suspect }

// Valid reports whether f is one of the five flag values.
func (f Flag) Valid() bool { return f.Usable() || f == Fail || f == Missing }

var flagWords = map[Flag]string{Pass: "pass", NotEvaluated: "not evaluated", Suspect: "suspect", Fail: "fail", Missing: "missing"}

// String returns the flag in words.
func (f Flag) String() string {
	if words, ok := flagWords[f]; ok {
		return words
	}
	return fmt.Sprintf("flag %d", uint8(f))
}
