package web_test

import (
	"fmt"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/isa"
)

// A keeper with a phone sees on the first screen what is wrong, where, how far and since when, and answers with one tap.
func TestNowShowsTroubleFirst(t *testing.T) {
	r := newRig(t)
	r.breathe(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/", nowReady)
	homes, out := map[string]bool{}, map[string]bool{}
	for i := range r.site.Cohorts {
		homes[r.site.Cohorts[i].Place] = true
	}
	for i, p := range r.core.Points() {
		if s := r.core.State(int32(i)); homes[p.Place] && s.Zone.Outside() && !s.Band.Empty() {
			out[p.Place] = true
		}
	}
	require.NotEmpty(t, out)
	assert.Contains(t, b.text(".verdict"), fmt.Sprintf("%d of %d inhabited enclosures out of range", len(out), len(homes)))

	a := r.waiting(t)
	first := b.text(".trouble")
	value := r.core.State(mustIndex(t, r, "loft/air-temperature")).Value
	for _, part := range []string{
		"critical The loft, air temperature: critically high", fmt.Sprintf("%.1f", value*9/5+32), fmt.Sprintf("+%.1f °F over 82", (value-a.Setpoint)*9/5),
		"since 14:11 (39 min)", "°F in 1 h", "Act now: minutes count. Cool the room slowly", "Also affects tub-1",
	} {
		assert.Contains(t, first, part)
	}
	assert.LessOrEqual(t, eval[float64](b, `document.querySelector(".trouble").getBoundingClientRect().bottom`), 844.0, "the first trouble is whole on the first screen")
	assert.Equal(t, "/alarms#"+a.Name, eval[string](b, `document.querySelector(".trouble a").getAttribute("href")`))
	priorities := eval[[]string](b, `[...document.querySelectorAll(".trouble .priority")].map((e) => e.textContent)`)
	rank := map[string]int{"critical": 0, "high": 1, "medium": 2, "low": 3}
	for i := range len(priorities) - 1 {
		assert.LessOrEqual(t, rank[priorities[i]], rank[priorities[i+1]])
	}
	assert.False(t, eval[bool](b, `document.querySelector(".empty-places").open`), "what is not inhabited is folded")
	assert.Less(t, eval[float64](b, `Math.max(...[...document.querySelectorAll(".place > summary")].filter((s) => s.checkVisibility()).map((s) => s.offsetHeight))`), 90.0, "a place is one line")
	b.shot("trouble-390")

	tops := `[...document.querySelectorAll(".trouble")].map((e) => Math.round(e.getBoundingClientRect().top + scrollY))`
	before := eval[[]float64](b, tops)
	b.click(".trouble button")
	b.until(`document.querySelector(".trouble .result").textContent === "Acknowledged."`)
	assert.Equal(t, string(isa.Acknowledged), string(r.alarm(t, a.Name).Letter))
	b.until(`document.querySelector(".verdict + p").textContent.includes("2 acknowledged")`)
	assert.InDeltaSlice(t, before, eval[[]float64](b, tops), 2, "nothing has moved under the finger")
	assert.True(t, eval[bool](b, `document.activeElement === document.querySelectorAll(".trouble h3")[1]`), "the focus is on the next one")

	b.resize(desk)
	b.shot("trouble-1440")
}

// A page that nobody looks at does not listen, and one that is looked at again shows the present.
func TestHiddenTabDoesNotListen(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), desk)
	call(b, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: `window.streams = []; window.EventSource = class extends EventSource { constructor(at) { super(at); window.streams.push(this); } };`})
	b.open("/", nowReady)
	b.until(`window.streams.length === 1 && window.streams[0].readyState === 1`)
	hidden := func(is bool) {
		eval[bool](b, fmt.Sprintf(`Object.defineProperty(document, "hidden", {configurable: true, get: () => %t}), document.dispatchEvent(new Event("visibilitychange"))`, is))
	}
	hidden(true)
	assert.Equal(t, 2, eval[int](b, `window.streams[0].readyState`), "closed")
	for range 6 {
		r.advance()
	}
	hidden(false)
	b.until(fmt.Sprintf(`document.querySelector(".point .today").textContent.includes("last read %s")`, r.now.In(r.site.Location).Format("15:04:05")))
	assert.Equal(t, 2, eval[int](b, `window.streams.length`))
}
