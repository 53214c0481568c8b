package quality

import "dewline/internal/core/quantity"

// Aggregate returns the one flag that several tests of a reading add up to: the highest in the order missing, not
// evaluated, pass, suspect, fail. Without flags it is missing.
func Aggregate(flags ...quantity.Flag) quantity.Flag {
	highest := quantity.Missing
	for _, f := range flags {
		if rank(f) > rank(highest) {
			highest = f
		}
	}
	return highest
}

// rank orders the flags by what they say of a reading.
func rank(f quantity.Flag) int {
	switch f {
	case quantity.NotEvaluated:
		return 1
	case quantity.Pass:
		return 2
	case quantity.Suspect:
		return 3
	case quantity.Fail:
		return 4
	}
	return 0
}
