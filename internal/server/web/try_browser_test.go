package web_test

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/format/rehearsal"
)

// A keeper raises a limit on a phone, sees what the past would have brought, and takes the lines away.
func TestOtherLimitsAreTried(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	tries := newTrials()
	o.Rehearser = tries
	site := r.serve(t, o)
	b := openTab(t, site, phone)
	b.open("/try?p=tub-1/water-temperature", tryReady)
	const high = `document.querySelector("#try-day-high")`
	assert.Equal(t, "75.2", eval[string](b, high+`.value`), "what is in force, in the keeper's unit")
	assert.Equal(t, "10", eval[string](b, `document.querySelector("#try-on").value`))

	b.click(`button[type="submit"]`)
	b.until(`document.querySelector(".message").textContent.includes("nothing is changed")`)
	eval[bool](b, `(document.querySelector("#try-day-high").value = "77", document.querySelector("#try-night-high").value = "77", true)`)
	eval[bool](b, `(document.querySelector("#try-range").value = "month", true)`)
	b.click(`button[type="submit"]`)
	b.until(`document.querySelector('[role="status"]').textContent.includes("42 %")`)
	assert.True(t, eval[bool](b, `document.querySelector('button[type="submit"]').disabled`), "one at a time")
	require.Len(t, tries.asked, 1)
	band := tries.asked[0].Bands[0]
	assert.Equal(t, rehearsal.Month, tries.asked[0].Range)
	assert.Equal(t, []string{"tub-1", "water-temperature", "62.6 °F", "77 °F", "600s", "0.54 °F"},
		[]string{band.Place, band.Quantity, band.Day.CriticalLow, band.Night.High, band.OnDelay, band.Deadband})
	assert.Empty(t, tries.asked[0].Profiles)

	tries.finish()
	b.until(`document.querySelector("#page").dataset.trial === "done"`)
	text := b.text("#result")
	for _, want := range []string{"alarms92", "messages by phone82", "21 h2 h", "Alarms that differ", "The changed lines", "11 other points are the same"} {
		assert.Contains(t, text, want)
	}
	assert.LessOrEqual(t, eval[int](b, "document.documentElement.scrollWidth"), int(phone.width))
	b.shot("try-390-done")
	code, data := ask(t, site+eval[string](b, `document.querySelector("#result a[download]").getAttribute("href")`))
	assert.Equal(t, http.StatusOK, code)
	assert.Contains(t, string(data), "high: 77 °F")

	for _, s := range []screen{phone, desk} {
		d := openTab(t, site, s)
		for _, look := range []string{"light", "dark"} {
			d.look(look)
			d.open("/try", tryReady)
			d.sound(fmt.Sprintf("try-done-%s-%s", s.name, look), s, rulesOf[look])
		}
	}
}

// Without scripts the page has the limits in force, and what came of the latest trial.
func TestTryWithoutScripts(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	tries := newTrials()
	tries.finish()
	o.Rehearser, o.Pages = tries, nil
	code, page := ask(t, r.serve(t, o)+"/try")
	require.Equal(t, http.StatusOK, code)
	for _, want := range []string{"Limits in force", "tub-1, water temperature", "75.2 °F", "dewline replay --compare", "messages by phone", "<td>8</td><td>2</td>", "high: 77 °F"} {
		assert.Contains(t, string(page), want)
	}
}

// The trends lead to the trial of the point that is looked at, the alarms to that of any.
func TestTrendAndAlarmsLeadToTheTrial(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/trend?p=vivarium-1/relative-humidity&span=1d", trendReady)
	assert.Equal(t, "/try?p=vivarium-1/relative-humidity", eval[string](b, `document.querySelector("#page a[href^='/try']").getAttribute("href")`))
	b.open("/alarms", alarmsReady)
	assert.Equal(t, "Try other limits on past readings", b.text(`#page a[href="/try"]`))
}
