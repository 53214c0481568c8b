package remotewrite

import (
	"encoding/json"
	"fmt"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// progress is how far the export has come. The store keeps it as JSON.
type progress struct {
	Begin  int64                     `json:"begin"`  // milliseconds: nothing earlier is sent
	Alarms int64                     `json:"alarms"` // the journal has been sent up to here
	Active map[string]*alarmSeries   `json:"active"` // alarms that were active or not acknowledged then, by name
	Points map[string]*pointProgress `json:"points"` // by name
}

// pointProgress is how far one point has come.
type pointProgress struct {
	At    int64                          `json:"at"`    // all readings before it have been sent
	Zones [watch.ZoneCount]time.Duration `json:"zones"` // nanoseconds in each zone since its first reading that was sent
}

// alarmSeries is what was sent of an alarm last.
type alarmSeries struct {
	Priority       string `json:"priority"`
	Active         bool   `json:"active"`
	Unacknowledged bool   `json:"unacknowledged"`
}

// progressOf reads what was kept; nil where nothing was.
func progressOf(body []byte) (*progress, error) {
	if body == nil {
		return nil, nil
	}
	p := &progress{}
	if err := json.Unmarshal(body, p); err != nil {
		return nil, fmt.Errorf("how far the export has come: %w", err)
	}
	if p.Active == nil {
		p.Active = map[string]*alarmSeries{}
	}
	if p.Points == nil {
		p.Points = map[string]*pointProgress{}
	}
	return p, nil
}

func newProgress(begin int64) *progress {
	return &progress{Begin: begin, Alarms: begin, Active: map[string]*alarmSeries{}, Points: map[string]*pointProgress{}}
}

func (p *progress) point(of quantity.Point) *pointProgress { return p.Points[of.String()] }

// oldest returns how far the point that has come least far has come.
func (p *progress) oldest() int64 {
	at := p.Alarms
	for _, point := range p.Points {
		at = min(at, point.At)
	}
	return at
}

const minute = int64(60_000)

// whole returns the beginning of the minute of a time in milliseconds.
func whole(at int64) int64 {
	if at < 0 { // no clock of ours shows that
		return 0
	}
	return at - at%minute
}

func millis(at instant.Instant) int64     { return at.Time().UnixMilli() }
func fromMillis(ms int64) instant.Instant { return instant.Instant(ms * 1e6) }
