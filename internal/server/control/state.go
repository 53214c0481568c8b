package control

import (
	"dewline/internal/core/instant"
	"dewline/internal/server/status"
)

// State is how a running daemon is. The form is stable.
type State struct {
	Site           string           `json:"site"`
	At             instant.Instant  `json:"at"`
	Started        instant.Instant  `json:"started"`
	ClockConfirmed bool             `json:"clock_confirmed"` // the kernel says that the clock is synchronised
	ConfigInForce  instant.Instant  `json:"config_in_force"` // since when
	ConfigRefused  bool             `json:"config_refused"`  // the last attempt to read another one failed
	Watched        []string         `json:"watched"`         // sentences: each enclosure with its limits now, and who gets which alarms
	Unwatched      []string         `json:"unwatched"`       // sentences: what no alarm can come from
	Active         int              `json:"active"`          // alarms
	ToAcknowledge  int              `json:"to_acknowledge"`
	Notifiers      []NotifierStatus `json:"outlets"`
	Calibrations   []Calibration    `json:"calibrations"` // of each channel that feeds a point
	History        *HistoryState    `json:"history"`      // null where nothing is kept
}

// HistoryState is the state of the history file.
type HistoryState struct {
	Bytes   int64  `json:"bytes"`
	Pending int    `json:"pending"` // readings that are in memory only
	Error   string `json:"error,omitempty"`
}

// StateOf sums up a snapshot.
func StateOf(p *status.Snapshot) State {
	s := State{
		Site: p.Site, At: instantOf(p.At), Started: instantOf(p.Started), ClockConfirmed: p.Confirmed, ConfigInForce: instantOf(p.Reloaded),
		ConfigRefused: !p.ReloadOK, Watched: []string{}, Unwatched: []string{}, Notifiers: NotifierStatuses(p),
		Calibrations: CalibrationsOf(p.Calibrations, instant.Of(p.At)),
	}
	if p.Overview != nil {
		watched, unwatched := p.Overview()
		s.Watched, s.Unwatched = append(s.Watched, watched...), append(s.Unwatched, unwatched...)
	}
	for i := range p.Alarms {
		a := &p.Alarms[i]
		if a.Active {
			s.Active++
		}
		if a.Letter.Waits() {
			s.ToAcknowledge++
		}
	}
	if h := p.History; h != nil {
		s.History = &HistoryState{Bytes: h.Bytes, Pending: h.Pending, Error: h.LastError}
	}
	return s
}
