package daemon_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/format/rehearsal"
)

// Beside the daemon that goes on watching, a limit is tried on what it has recorded: the alarm that it has raised would not have come.
func TestLimitsAreTriedBesideTheDaemon(t *testing.T) {
	tree := newProbeTree(t)
	tree.Show(25)
	r := begin(t, 60, tree.root, keptSite)
	r.wait("an alarm", func() bool { return r.letter(tubHigh) == "B" })
	const request = `{"range": "week", "profiles": null, "bands": [{"place": "tub-1", "quantity": "water-temperature", "night": null,
		"day": {"critical-low": "", "low": "", "high": "27 degC", "critical-high": ""},
		"on_delay": "", "critical_on_delay": "", "off_delay": "", "deadband": "", "priority": "", "foresee": ""}]}`
	response, err := http.Post("http://"+r.at.Web+"/api/try", "application/json", strings.NewReader(request))
	require.NoError(t, err)
	require.NoError(t, response.Body.Close())
	require.Equal(t, http.StatusAccepted, response.StatusCode)
	var trial struct{ State, Problem, By string }
	r.wait("it is tried", func() bool {
		response, err := http.Get("http://" + r.at.Web + "/api/try?choices=no")
		require.NoError(t, err)
		defer response.Body.Close()
		var answer struct {
			Trial *struct{ State, Problem, By string }
		}
		answer.Trial = &trial
		require.NoError(t, json.NewDecoder(response.Body).Decode(&answer))
		return trial.State != rehearsal.Running
	})
	require.Equal(t, rehearsal.Done, trial.State, trial.Problem)
	assert.Equal(t, "the pages", trial.By)
	response, err = http.Get("http://" + r.at.Web + "/api/try")
	require.NoError(t, err)
	defer response.Body.Close()
	var whole struct {
		Choices struct{ Points []struct{ Point string } }
		Trial   struct {
			Result struct {
				InForce struct{ Alarms int } `json:"in_force"`
				Tried   struct{ Alarms int }
				Lines   string
			}
		}
	}
	require.NoError(t, json.NewDecoder(response.Body).Decode(&whole))
	assert.NotEmpty(t, whole.Choices.Points)
	assert.Positive(t, whole.Trial.Result.InForce.Alarms)
	assert.Zero(t, whole.Trial.Result.Tried.Alarms)
	assert.Contains(t, whole.Trial.Result.Lines, "high: 27 degC")
	assert.Equal(t, "B", r.letter(tubHigh), "what is in force is in force")
}
