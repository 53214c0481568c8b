package web_test

import (
	"net/http"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/format/exposure"
	"dewline/internal/format/rehearsal"
)

// trials is a rehearser whose trials end when they are asked to.
type trials struct {
	mu    sync.Mutex
	state rehearsal.State
	asked []rehearsal.Request
}

func newTrials() *trials { return &trials{state: rehearsal.State{State: rehearsal.None}} }

func value(v float64) *exposure.Number { return exposure.NumberOf(v) }

func (*trials) Choices() rehearsal.Choices {
	water := exposure.Limits{CriticalLow: value(17), Low: value(20), High: value(24), CriticalHigh: value(27)}
	humid := exposure.Limits{Low: value(77)}
	return rehearsal.Choices{
		Points: []rehearsal.Point{
			{Point: "tub-1/water-temperature", Unit: "Cel", Day: water, Night: water, OnDelayS: 600e9, CriticalOnDelayS: 120e9, OffDelayS: 600e9, Deadband: 0.3},
			{Point: "vivarium-2/relative-humidity", Unit: "%RH", Day: humid, Night: humid, OnDelayS: 14400e9, CriticalOnDelayS: 1200e9, OffDelayS: 900e9, Deadband: 1},
		},
		Cohorts: []rehearsal.Profile{{Cohort: "a-2026", Profile: "tropical-forest-floor"}}, Profiles: []string{"cool-montane-stream", "tropical-forest-floor"},
	}
}

func (t *trials) State() rehearsal.State {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.state
}

type taken struct{}

func (taken) Error() string { return "other limits are being tried" }
func (taken) Busy() bool    { return true }

type wrong string

func (w wrong) Error() string { return string(w) }

func (t *trials) Start(request rehearsal.Request, by string) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case t.state.State == rehearsal.Running:
		return taken{}
	case len(request.Bands)+len(request.Profiles) == 0:
		return wrong("nothing is changed")
	}
	t.asked = append(t.asked, request)
	t.state = rehearsal.State{State: rehearsal.Running, By: by, Request: &request, Done: 0.42}
	return nil
}

// Cancel ends a trial with its result, so that a test need not wait.
func (t *trials) Cancel() { t.finish() }

func (t *trials) finish() {
	t.mu.Lock()
	defer t.mu.Unlock()
	at := instant.Instant(1_783_900_800e9)
	t.state.State, t.state.Done = rehearsal.Done, 1
	t.state.Result = &rehearsal.Result{
		From: at - 7*86400e9, To: at,
		InForce: rehearsal.Side{Alarms: 9, ByPriority: map[string]int{"high": 7, "medium": 2}, OutsideS: 75600e9, Heard: map[string]int{"phone": 8}, Silent: map[string]int{}},
		Tried:   rehearsal.Side{Alarms: 2, ByPriority: map[string]int{"high": 2}, OutsideS: 7200e9, Heard: map[string]int{"phone": 2}, Silent: map[string]int{}},
		Points: []rehearsal.PointPair{{
			Point: "tub-1/water-temperature", InForce: rehearsal.PointFigures{Alarms: 7, AboveS: 68400e9, LongestS: 10800e9}, Tried: rehearsal.PointFigures{AboveS: 3600e9, LongestS: 3600e9},
		}},
		Same: 11,
		Alarms: []rehearsal.AlarmPair{
			{Alarm: "tub-1/water-temperature/high", InForce: &rehearsal.Alarm{Priority: "high", Raised: at - 86400e9, Cleared: at - 80000e9}},
			{Alarm: "tub-1/water-temperature/critical-high", Tried: &rehearsal.Alarm{Priority: "critical", Raised: at - 3600e9, Cleared: instant.None}},
		},
		Lines: "# Tried on past readings, and not in force.\nplaces:\n  - id: tub-1\n    bands:\n      water-temperature:\n        high: 77 °F\n",
	}
}

// A viewer sees what was tried, and may not try.
func TestViewersDoNotTry(t *testing.T) {
	r := newRig(t)
	o := locked(t, r)
	o.Rehearser = newTrials()
	viewer, operator := newCaller(t, r.serve(t, o)), newCaller(t, r.serve(t, o))
	viewer.head.Set("Authorization", "Bearer "+scraperToken)
	operator.head.Set("Authorization", "Bearer "+robotToken)
	const request = `{"range":"week","bands":null,"profiles":[{"cohort":"a-2026","profile":"cool-montane-stream"}]}`
	for _, c := range []struct {
		by     *caller
		method string
		status int
	}{{viewer, "GET", 200}, {viewer, "POST", 403}, {viewer, "DELETE", 403}, {operator, "POST", 202}, {viewer, "DELETE", 403}, {operator, "DELETE", 200}} {
		req, err := http.NewRequestWithContext(t.Context(), c.method, c.by.site+"/api/try", strings.NewReader(request))
		require.NoError(t, err)
		req.Header = c.by.head.Clone()
		req.Header.Set("Content-Type", "application/json")
		response, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		require.NoError(t, response.Body.Close())
		assert.Equal(t, c.status, response.StatusCode, c.method)
	}
	req, err := http.NewRequestWithContext(t.Context(), "POST", operator.site+"/api/try", strings.NewReader(request))
	require.NoError(t, err)
	req.Header = operator.head.Clone()
	response, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	require.NoError(t, response.Body.Close())
	assert.Equal(t, http.StatusUnsupportedMediaType, response.StatusCode, "what another page can send without asking is refused")
	assert.Equal(t, "robot", o.Rehearser.State().By, "in whose name is what the log-in says")
}
