package web

import (
	"context"
	"net/http"
	"slices"

	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/server/control"
	"dewline/internal/store"
)

// CalibrationsNow is what is in force for the channels of the sensors.
type CalibrationsNow struct {
	At           instant.Instant      `json:"at"`
	Calibrations []CheckedCalibration `json:"calibrations"`
	// Missing says why it is not known when sensors were checked; "" where it is.
	Missing string `json:"missing,omitempty"`
}

// CheckedCalibration is a calibration, and when its sensor was last looked at.
type CheckedCalibration struct {
	control.Calibration
	Checked instant.Instant `json:"checked"` // the later of its date and of the last task check-sensor of its place
}

// checkTask is the task of care that is about sensors.
const checkTask = "check-sensor"

func (s *site) serveCalibrations(w http.ResponseWriter, r *http.Request) {
	p := s.Current.Get()
	now := CalibrationsNow{At: instant.OfKnown(p.At), Calibrations: []CheckedCalibration{}}
	checks, err := s.checks(r.Context(), instant.Of(p.At))
	if err != nil {
		now.Missing = "the history could not be read: " + err.Error()
	}
	for _, c := range control.CalibrationsOf(p.Calibrations, instant.Of(p.At)) {
		checked := c.Since
		if at, ok := checks[c.Point.Place]; ok {
			checked = max(checked, at)
		}
		now.Calibrations = append(now.Calibrations, CheckedCalibration{c, checked})
	}
	answer(w, r, http.StatusOK, now)
}

// checks returns when the sensors of each place were last checked.
func (s *site) checks(ctx context.Context, at instant.Instant) (map[string]instant.Instant, error) {
	checks := map[string]instant.Instant{}
	if s.History == nil {
		return checks, nil
	}
	care, err := careOf(ctx, s.History, at)
	if err != nil {
		return checks, err
	}
	intervals := s.Site().Intervals
	for _, e := range cohort.InForce(care) {
		if e.Kind != journal.CareDone || e.Task != checkTask {
			continue
		}
		place := e.Place
		if home := cohort.At(intervals, e.Cohort, e.Since); place == "" && home != nil {
			place = home.Place
		}
		checks[place] = max(checks[place], e.Since)
	}
	return checks, nil
}

// careOf reads what was recorded of care lately, with the notes that withdraw some of it.
func careOf(ctx context.Context, h History, now instant.Instant) (care []cohort.Entry, err error) {
	filter := store.Filter{From: now.Add(-carePast), Kinds: append(slices.Clone(cohort.CareKinds()), journal.Note), Limit: pageEntries}
	for entry, err := range store.Entries(ctx, h, filter) {
		if err != nil {
			return nil, err
		}
		if e, ok := cohort.Of(entry); ok {
			care = append(care, e)
		}
	}
	return care, nil
}
