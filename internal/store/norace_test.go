//go:build !race

package store

// How densely the power is cut.
const (
	usualStep = 1 // sectors
	tears     = 3
)
