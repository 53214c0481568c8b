package web_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
)

// card is the selector of the card of an alarm.
func card(alarm string) string { return fmt.Sprintf("[id=%q]", alarm) }

// endsUnacknowledged puts alarms into the picture whose condition is over without anybody having looked.
func (r *rig) endsUnacknowledged(t *testing.T, names ...string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	picture := *r.current.Get()
	for _, name := range names {
		a, ok := r.core.Alarm(name)
		require.True(t, ok, name)
		a.Letter, a.Active, a.Occurrence = isa.ReturnedUnacknowledged, false, "ended-"+strings.ReplaceAll(name, "/", "-")
		a.Since, a.Raised, a.Cleared = instant.Of(r.now.Add(-2*time.Hour)), instant.Of(r.now.Add(-2*time.Hour)), instant.Of(r.now.Add(-time.Hour))
		picture.Alarms = append(slices.DeleteFunc(slices.Clone(picture.Alarms), func(other watch.AlarmState) bool { return other.Name == name }), a)
	}
	r.current.Set(&picture)
}

func TestAcknowledgeShelveAndNote(t *testing.T) {
	r := newRig(t)
	r.breathe(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/alarms", alarmsReady)
	a := r.waiting(t)
	require.Equal(t, "loft/air-temperature/critical-high", a.Name)
	first := b.text(".alarm h3")
	assert.Contains(t, first, "critical")
	assert.Contains(t, first, "The loft, air temperature: critically high", "the most pressing comes first")
	value := r.core.State(mustIndex(t, r, "loft/air-temperature")).Value
	over := fmt.Sprintf("+%.1f °F over 82", (value-a.Setpoint)*9/5)
	b.until(`document.querySelector(".alarm .present").textContent.includes("in 1 h")`) // which way it goes comes a moment later
	for _, part := range []string{over, "active, please confirm", "limit 82.0 °F", "Hot air dries small animals", "No fan on the animals", "Also affects tub-1"} {
		assert.Contains(t, b.text(".alarm"), part)
	}
	b.click("#keeper")
	b.keys("Ines")
	const tops = `[...document.querySelectorAll(".alarm")].map((e) => e.getBoundingClientRect().top + scrollY)`
	order, before := eval[[]string](b, `[...document.querySelectorAll(".alarm")].map((e) => e.id)`), eval[[]float64](b, tops)
	b.shot("alarms-before-390")
	b.click(card(a.Name) + " button.first")
	b.until(fmt.Sprintf(`document.querySelector('%s .result').textContent === "Acknowledged."`, card(a.Name)))
	assert.Equal(t, string(isa.Acknowledged), string(r.alarm(t, a.Name).Letter))
	// The card holds its place, with every other one where it was, and the focus is on the next.
	b.until(fmt.Sprintf(`document.querySelector('%s').classList.contains("leaving")`, card(a.Name)))
	assert.InDeltaSlice(t, before, eval[[]float64](b, tops), 2)
	assert.Equal(t, order[1], eval[string](b, `document.activeElement.closest(".alarm").id`))
	b.shot("alarms-held-390")
	b.until(fmt.Sprintf(`document.querySelectorAll("#page > h2")[1].textContent.startsWith("Acknowledged (") && document.querySelectorAll("#page > h2")[1].nextElementSibling.contains(document.querySelector('%s'))`, card(a.Name)))
	b.until(`[...document.querySelectorAll(".journal tbody tr")].some((r) => r.textContent.includes("acknowledged") && r.textContent.includes("Ines") && r.textContent.includes("The loft, air temperature: critically high"))`)

	// Shelve the next one: it needs a reason, and always has an end.
	target := eval[string](b, `document.querySelector(".alarm").id`)
	within := func(rest string) string { return card(target) + " " + rest }
	b.click(within(".buttons button:nth-child(2)"))
	b.until(`document.activeElement.tagName === "SELECT"`)
	b.click(within("form button"))
	assert.NotContains(t, b.text(within(".result")), "Shelved", "without a reason nothing is shelved")
	b.click(within("form input"))
	b.keys("probe is being replaced")
	b.click(within("form button"))
	b.until(fmt.Sprintf(`document.querySelector('%s').textContent === "Shelved."`, within(".result")))
	state := r.alarm(t, target)
	assert.Equal(t, isa.Shelved, state.Letter)
	assert.Equal(t, 30*time.Minute, state.Until.Sub(instant.Of(r.now)))
	b.until(`[...document.querySelectorAll(".silenced .alarm")].some((a) => a.textContent.includes("shelved") && a.textContent.includes("probe is being replaced"))`)

	b.click("#free-note")
	b.keys("shade cloth is up (invented)")
	b.click(".journal form button")
	b.until(`document.querySelector(".journal tbody tr").textContent.includes("shade cloth is up")`)
	b.shot("acted-390")
}

// What is active comes before what has ended, which is one line until it is unfolded.
func TestActiveAlarmsComeBeforeEndedOnes(t *testing.T) {
	r := newRig(t)
	r.breathe(t)
	ended := []string{"tub-1/water-temperature/critical-high", "tub-2/water-temperature/high"}
	r.endsUnacknowledged(t, ended...)
	o := r.options(t)
	acknowledged := make(chan string, 10)
	o.Command = func(_ context.Context, cmd watch.Command) (control.Response, error) {
		acknowledged <- cmd.Alarm + " " + cmd.Occurrence
		if cmd.Alarm == ended[1] {
			return control.Response{Reason: "it is another one by now"}, nil
		}
		return control.Response{Done: true, Changed: true}, nil
	}
	b := openTab(t, r.serve(t, o), phone)
	for _, look := range []string{"light", "dark"} {
		b.look(look)
		b.open("/alarms", alarmsReady)
		assert.Contains(t, b.text(".alarm h3"), "The loft, air temperature", "the active one, although one that has ended is as critical")
		assert.Equal(t, "2 ended, not acknowledged", b.text(".ended-line button"))
		assert.False(t, eval[bool](b, fmt.Sprintf(`document.querySelector('%s').checkVisibility()`, card(ended[0]))))
		b.click(".ended-line button")
		assert.True(t, eval[bool](b, fmt.Sprintf(`document.querySelector('%s').checkVisibility()`, card(ended[0]))))
		assert.False(t, eval[bool](b, fmt.Sprintf(`document.querySelector('%s .advice').checkVisibility()`, card(ended[0]))), "there is nothing to be done any more")
		b.fits("ended-390-"+look, phone)
		b.checked("ended-390-"+look, rulesOf[look])
	}
	b.click(".ended-line button:nth-child(2)")
	b.until(`document.querySelector(".ended-line .result").textContent === "1 acknowledged, 1 not: it is another one by now."`)
	assert.Equal(t, "Not done: it is another one by now.", b.text(card(ended[1])+" .result"), "what failed is said in its card")
	close(acknowledged)
	var got []string
	for a := range acknowledged {
		got = append(got, a)
	}
	assert.ElementsMatch(t, []string{ended[0] + " ended-tub-1-water-temperature-critical-high", ended[1] + " ended-tub-2-water-temperature-high"}, got)
}

// The link of a message opens the page at its alarm.
func TestLinkOfMessageGoesToItsAlarm(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	r.endsUnacknowledged(t, "tub-1/water-temperature/critical-high")
	b.open("/alarms#tub-1/water-temperature/critical-high", alarmsReady)
	b.until(`document.querySelector(".aimed")?.id === "tub-1/water-temperature/critical-high"`)
	b.until(`(() => { const r = document.querySelector(".aimed").getBoundingClientRect(); return r.top >= 0 && r.top < innerHeight / 2 && document.activeElement === document.querySelector(".aimed h3"); })()`)
	b.open("/sensors", sensorsReady)
	b.open("/alarms#tub-2/water-temperature/low", alarmsReady)
	assert.Contains(t, b.text(".aim-note"), "tub-2, water temperature: too low: nothing waits any more")
}

// The tab says how many alarms are active.
func TestTabCountsActiveAlarms(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), desk)
	b.open("/sensors", sensorsReady)
	n := 0
	for _, a := range r.core.Alarms() {
		if a.Active && strings.ContainsRune("BCEF", rune(string(a.Letter)[0])) {
			n++
		}
	}
	require.NotZero(t, n)
	b.until(fmt.Sprintf(`document.title === "(%d) Sensors – north-loft"`, n))
}

func mustIndex(t *testing.T, r *rig, name string) int32 {
	index, ok := r.core.Index(point(t, name))
	require.True(t, ok)
	return index
}
