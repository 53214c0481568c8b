// Package rehearsal is a clock that is governed from outside the process: a small file says what time it is, how fast time
// passes and whether the clock counts as synchronised. With it the program itself, not a part of it, can be taken through a
// year in minutes, through a boot in 1970 and through steps of the clock. Nothing but rehearsals uses it.
//
//	rehearsal.Write(path, rehearsal.Setting{Origin: time.Now(), Wall: start, Pace: 60, Synchronised: true})
//	…dewline run --config FILE --clock path
//	rehearsal.Step(path, -40*time.Minute)
package clockfile

import (
	"cmp"
	"encoding/json"
	"fmt"
	"os"
	"sync"
	"time"
)

// Setting is what the file says, as JSON: at the machine's time Origin the clock shows Wall, and from there on it runs Pace
// times as fast as the machine's. It survives the process, as a clock with a battery does.
type Setting struct {
	Origin       time.Time `json:"origin"`
	Wall         time.Time `json:"wall"`
	Pace         float64   `json:"pace"`
	Synchronised bool      `json:"synchronised"`
	// Boot names the time for which the machine has been up: the monotonic clock counts from there. Zero means that each
	// process is a boot of its own.
	Boot time.Time `json:"boot,omitzero"`
	// Slept is for how long the machine has been suspended since the boot, as [Sleep] does it: both clocks count it, as
	// CLOCK_BOOTTIME does (clock_gettime(2)), and no timer.
	Slept time.Duration `json:"slept,omitempty"`
	// Timers is how fast timers run, where that is not Pace: with a short Pace and Sleep a test has time in its hand, and
	// what the program does every quarter of an hour still takes milliseconds.
	Timers float64 `json:"timers,omitempty"`
}

// At returns what the clock shows when the machine's shows t.
func (s Setting) At(t time.Time) time.Time {
	return s.Wall.Add(time.Duration(float64(t.Round(0).Sub(s.Origin)) * s.Pace))
}

// Read reads the file.
func Read(path string) (Setting, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return Setting{}, err
	}
	var s Setting
	if err := json.Unmarshal(data, &s); err != nil {
		return Setting{}, fmt.Errorf("rehearsal clock %s: %w", path, err)
	}
	if !(s.Pace > 0) || s.Origin.IsZero() {
		return Setting{}, fmt.Errorf("rehearsal clock %s: origin and a pace above 0 are needed", path)
	}
	return s, nil
}

// Write writes the file at one blow: a reader finds the old setting or the new one.
func Write(path string, s Setting) error {
	data, err := json.Marshal(s)
	if err != nil {
		return err
	}
	if err := os.WriteFile(path+".new", data, 0o600); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

// Change lets edit alter the setting, which it finds with Origin and Wall brought up to now.
func Change(path string, edit func(*Setting)) error {
	s, err := Read(path)
	if err != nil {
		return err
	}
	now := time.Now().Round(0)
	s.Origin, s.Wall = now, s.At(now)
	edit(&s)
	return Write(path, s)
}

// Step sets the clock by a difference.
func Step(path string, by time.Duration) error {
	return Change(path, func(s *Setting) { s.Wall = s.Wall.Add(by) })
}

// Sleep lets a time pass at one blow, for both clocks: no step of the clock, but a machine that was suspended.
func Sleep(path string, d time.Duration) error {
	return Change(path, func(s *Setting) { s.Wall, s.Slept = s.Wall.Add(d), s.Slept+d })
}

// Clock shows the time of a file. It looks at the file each time, and reads it unless it is the one that was read last: for as long as
// the file is young its time and number do not tell it from the next one, as a test may step the clock twice at once.
type Clock struct {
	path string
	boot time.Time
	// What the machine's clock had counted since the boot at the start, and the start itself.
	up    time.Duration
	start time.Time
	pace  float64 // of the start: the monotonic clock never changes its pace
	timer float64

	mu      sync.Mutex
	setting Setting
	read    os.FileInfo // the file that setting is from; nil where that was young
}

// settled is the age from which on a file has another time than any that follows. The kernel counts file times by its ticks, 10 ms at most.
const settled = 50 * time.Millisecond

// Open returns the clock of a file.
func Open(path string) (*Clock, error) {
	s, err := Read(path)
	if err != nil {
		return nil, err
	}
	c := &Clock{path: path, boot: s.Boot, start: time.Now(), pace: s.Pace, timer: cmp.Or(s.Timers, s.Pace), setting: s}
	if !s.Boot.IsZero() {
		c.up = c.start.Round(0).Sub(s.Boot)
	}
	return c, nil
}

// look returns the setting in force. While the file cannot be read the last one stays.
func (c *Clock) look() Setting {
	c.mu.Lock()
	defer c.mu.Unlock()
	info, err := os.Stat(c.path)
	if err != nil || c.read != nil && os.SameFile(info, c.read) && info.ModTime().Equal(c.read.ModTime()) {
		return c.setting
	}
	c.read = nil
	if s, err := Read(c.path); err == nil {
		c.setting = s
		if time.Since(info.ModTime()) > settled {
			c.read = info
		}
	}
	return c.setting
}

// Now returns the wall clock of the rehearsal.
func (c *Clock) Now() time.Time { return c.look().At(time.Now()) }

// Monotonic returns the time since the boot, which no step changes.
func (c *Clock) Monotonic() time.Duration {
	return time.Duration(float64(c.up+time.Since(c.start))*c.pace) + c.look().Slept
}

// Boot names the boot.
func (c *Clock) Boot() string {
	if c.boot.IsZero() {
		return ""
	}
	return c.boot.UTC().Format(time.RFC3339Nano)
}

// Synchronised reports what the file says.
func (c *Clock) Synchronised() bool { return c.look().Synchronised }

// Real returns how long a stretch of the rehearsal lasts on the machine's clock.
func (c *Clock) Real(d time.Duration) time.Duration {
	return max(time.Duration(float64(d)/c.timer), time.Millisecond)
}
