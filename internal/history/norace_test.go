//go:build !race

package history

// How densely the power is cut.
const (
	usualStep = 1 // sectors
	tears     = 3
)
