package main

import (
	"path/filepath"
	"time"

	"dewline/internal/test/clockfile"
)

// fastClock writes a clock that runs fast, and returns the flag that gives it to the daemon.
func fastClock(folder string, begin time.Time, pace float64) ([]string, error) {
	path := filepath.Join(folder, "clock.json")
	err := clockfile.Write(path, clockfile.Setting{Origin: begin, Wall: begin, Pace: pace, Synchronised: true})
	return []string{"--clock", path}, err
}
