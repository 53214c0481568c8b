package web

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/quantity"
	"dewline/internal/format/exposure"
	"dewline/internal/format/rehearsal"
)

// Rehearser tries other limits on the history, one trial at a time.
type Rehearser interface {
	Choices() rehearsal.Choices
	State() rehearsal.State
	// Start begins a trial. An error that is [Busy] says that another one is running, any other what is wrong with the request.
	Start(request rehearsal.Request, by string) error
	Cancel()
}

// Busy is an error of a [Rehearser] that is running a trial.
type Busy interface{ Busy() bool }

// Trying is what may be changed, and how far the latest trial is.
type Trying struct {
	Choices rehearsal.Choices `json:"choices"`
	Trial   rehearsal.State   `json:"trial"`
	MayAct  bool              `json:"may_act"` // begin and end trials
}

// The codes of errors of a trial.
const (
	busy        = "busy"
	mayNotAct   = "may-not-act"
	maxTryBytes = 64 << 10
)

// maySpend reports whether a visitor may begin and end trials, which take time of the board: those who may act. It answers others.
func (s *site) maySpend(w http.ResponseWriter, r *http.Request) bool {
	who := visitorOf(r)
	if !who.mayAct() {
		s.logins.log(s.Log, slog.LevelInfo, "a viewer asked for something", "user", who.Name, "from", s.from(r))
		fail(w, r, http.StatusForbidden, mayNotAct, "you are logged in as "+who.Name+", a viewer, who may look but not act: log in as an operator")
		return false
	}
	return true
}

func (s *site) serveTrying(w http.ResponseWriter, r *http.Request) {
	t := Trying{Trial: s.Rehearser.State(), MayAct: visitorOf(r).mayAct()}
	if r.URL.Query().Get("choices") != "no" {
		t.Choices = s.Rehearser.Choices()
	}
	answer(w, r, http.StatusOK, t)
}

func (s *site) serveTryBegin(w http.ResponseWriter, r *http.Request) {
	if !s.maySpend(w, r) {
		return
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		fail(w, r, http.StatusUnsupportedMediaType, badRequest, "what is to be tried is sent as application/json")
		return
	}
	decoder := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxTryBytes))
	decoder.DisallowUnknownFields()
	var request rehearsal.Request
	if err := decoder.Decode(&request); err != nil {
		fail(w, r, http.StatusBadRequest, badRequest, "what is to be tried is not understood: "+err.Error())
		return
	}
	err := s.Rehearser.Start(request, cmp.Or(visitorOf(r).Name, "the pages"))
	var taken Busy
	switch {
	case errors.As(err, &taken) && taken.Busy():
		fail(w, r, http.StatusConflict, busy, err.Error())
	case err != nil:
		fail(w, r, http.StatusBadRequest, badRequest, err.Error())
	default:
		answer(w, r, http.StatusAccepted, s.Rehearser.State())
	}
}

func (s *site) serveTryEnd(w http.ResponseWriter, r *http.Request) {
	if !s.maySpend(w, r) {
		return
	}
	s.Rehearser.Cancel()
	answer(w, r, http.StatusOK, s.Rehearser.State())
}

func (s *site) serveTryLines(w http.ResponseWriter, r *http.Request) {
	state := s.Rehearser.State()
	if state.Result == nil {
		fail(w, r, http.StatusNotFound, notFound, "nothing has been tried yet, or the trial has not ended")
		return
	}
	w.Header().Set("Content-Disposition", `attachment; filename="tried.yaml"`)
	answerBytes(w, r, http.StatusOK, "application/yaml", []byte(state.Result.Lines))
}

// tryView is the page without scripts: the limits in force, and what came of the latest trial.
type tryView struct {
	Missing string
	Points  [][]string
	State   string
	Figures [][3]string
	Alarms  [][3]string
	Lines   string
}

func (s *site) tryPlain(display quantity.Unit) *tryView {
	if s.Rehearser == nil {
		return &tryView{Missing: "No history is kept here: there are no past readings to try limits on."}
	}
	v := &tryView{}
	for _, p := range s.Rehearser.Choices().Points {
		v.Points = append(v.Points, s.choiceRow(&p, display))
	}
	trial := s.Rehearser.State()
	switch trial.State {
	case rehearsal.Running:
		v.State = fmt.Sprintf("Limits are being tried at this moment: %.0f %% of the readings.", 100*float64(trial.Done))
	case rehearsal.Failed:
		v.State = "The latest trial failed: " + trial.Problem + "."
	case rehearsal.Ended:
		v.State = "The latest trial was ended before it was done."
	}
	if trial.Result != nil {
		v.result(trial.Result, s)
	}
	return v
}

func (s *site) choiceRow(p *rehearsal.Point, display quantity.Unit) []string {
	point, err := quantity.ParsePoint(p.Point)
	if err != nil {
		return []string{p.Point, "", "", "", ""}
	}
	unit := point.Quantity.Keeper(display)
	row := []string{s.pointTitle(point)}
	for _, pair := range [][2]*exposure.Number{{p.Day.CriticalLow, p.Night.CriticalLow}, {p.Day.Low, p.Night.Low}, {p.Day.High, p.Night.High}, {p.Day.CriticalHigh, p.Night.CriticalHigh}} {
		text := func(n *exposure.Number) string {
			if n == nil {
				return "–"
			}
			return unit.Print(float64(*n), point.Quantity.Decimals())
		}
		day, night := text(pair[0]), text(pair[1])
		if day != night {
			day += ", by night " + night
		}
		row = append(row, day)
	}
	return row
}

func (s *site) pointTitle(p quantity.Point) string {
	return s.titleOf(p.Place) + ", " + strings.ReplaceAll(p.Quantity.String(), "-", " ")
}

func (v *tryView) result(r *rehearsal.Result, s *site) {
	location := s.Current.Get().Zone()
	at := func(t time.Time) string { return t.In(location).Format("2 Jan 15:04") }
	v.State = fmt.Sprintf("Tried on the readings from %s to %s:", at(r.From.Time()), at(r.To.Time()))
	row := func(name string, a, b any) {
		v.Figures = append(v.Figures, [3]string{name, fmt.Sprint(a), fmt.Sprint(b)})
	}
	row("alarms", r.InForce.Alarms, r.Tried.Alarms)
	for _, priority := range []string{"critical", "high", "medium", "low"} {
		if a, b := r.InForce.ByPriority[priority], r.Tried.ByPriority[priority]; a+b > 0 {
			row(priority, a, b)
		}
	}
	notifiers := maps.Clone(r.InForce.Heard)
	maps.Copy(notifiers, r.Tried.Heard)
	for _, name := range slices.Sorted(maps.Keys(notifiers)) {
		row("messages by "+name, r.InForce.Heard[name], r.Tried.Heard[name])
	}
	hours := func(s exposure.Seconds) string { return hoursText(time.Duration(s).Hours()) }
	row("outside the bands, all points", hours(r.InForce.OutsideS), hours(r.Tried.OutsideS))
	for _, p := range r.Points {
		name := p.Point
		if point, err := quantity.ParsePoint(p.Point); err == nil {
			name = s.pointTitle(point)
		}
		row(name+": below its band", hours(p.InForce.BelowS), hours(p.Tried.BelowS))
		row(name+": above its band", hours(p.InForce.AboveS), hours(p.Tried.AboveS))
	}
	for _, a := range r.Alarms {
		when := func(a *rehearsal.Alarm) string {
			if a == nil {
				return "none"
			}
			return at(a.Raised.Time()) + ", " + a.Priority
		}
		v.Alarms = append(v.Alarms, [3]string{a.Alarm, when(a.InForce), when(a.Tried)})
	}
	v.Lines = r.Lines
}
