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
	History        *status.History  `json:"history"`      // null where nothing is kept
	Export         *ExportState     `json:"export"`       // to a metrics store; null where there is none
}

// ExportState is the state of the export to a metrics store.
type ExportState struct {
	BehindSeconds float64         `json:"behind_s"`
	Waiting       string          `json:"waiting,omitempty"` // why nothing is sent although the store is well
	Sent          uint64          `json:"sent"`              // samples, since the start
	Refused       uint64          `json:"refused"`           // for good, since the start
	LastSent      instant.Instant `json:"last_sent"`         // since the start; null for never
	Error         string          `json:"error,omitempty"`
	FailingSince  instant.Instant `json:"failing_since"` // null while it does not fail
}

// StateOf sums up a snapshot.
func StateOf(p *status.Snapshot) State {
	s := State{
		Site: p.Site, At: instant.OfKnown(p.At), Started: instant.OfKnown(p.Started), ClockConfirmed: p.Confirmed, ConfigInForce: instant.OfKnown(p.Reloaded),
		ConfigRefused: !p.ReloadOK, Watched: []string{}, Unwatched: []string{}, Notifiers: NotifierStatuses(p), History: p.History,
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
	if e := p.Export; e != nil {
		s.Export = &ExportState{
			BehindSeconds: e.Behind.Seconds(), Waiting: e.Waiting, Sent: e.Sent, Refused: e.Refused, LastSent: instant.OfKnown(e.LastSent),
			Error: e.LastError, FailingSince: instant.OfKnown(e.FailingSince),
		}
	}
	return s
}
