//go:build race

package store

// How densely the power is cut: the race detector makes SQLite some ten times as slow.
const (
	usualStep = 8 // sectors
	tears     = 1
)
