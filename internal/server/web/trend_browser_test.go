package web_test

import (
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// On a phone the chart begins on the upper part of the screen, and the controls are one row.
func TestTrendBeginsWithItsChart(t *testing.T) {
	r := newRig(t)
	r.breathe(t)
	site := r.serve(t, r.options(t))
	for _, s := range []screen{small, phone, desk} {
		b := openTab(t, site, s)
		b.open(trendPath, trendReady)
		b.shot("trend-first-" + s.name)
		if s == phone {
			assert.LessOrEqual(t, eval[float64](b, `document.querySelector(".chart").getBoundingClientRect().top`), 200.0, s.name)
		}
		tops := eval[[]float64](b, `[...new Set([...document.querySelectorAll(".controls button, .more > summary")].filter((e) => e.checkVisibility()).map((e) => Math.round(e.getBoundingClientRect().top)))]`)
		assert.Len(t, tops, 1, "one row at %s", s.name)
		assert.Contains(t, b.text(".range-title"), "(7 d), live")
	}
}

// A keeper asks how often and how long a value was beyond a limit of one's own, and goes from the list to the time.
func TestTrendListsExcursionsBeyondOnesOwnLimit(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/trend?p=tub-1/water-temperature&span=1m", trendReady)
	assert.Equal(t, "75", eval[string](b, `document.querySelector("#beyond-value").value`), "the limit in force to begin with")
	set := func(value string) {
		eval[bool](b, `(() => { const i = document.querySelector("#beyond-value"); i.value = "`+value+`"; i.dispatchEvent(new Event("change")); return true; })()`)
	}
	set("100")
	b.until(`document.querySelector(".excursions .dim").textContent === "Never in this range, while it was seen."`)
	set("78")
	b.until(`document.querySelectorAll(".excursions tbody tr").length > 0`)
	assert.Contains(t, b.text(".excursions thead"), "limit 78.0 °F")
	assert.Contains(t, b.text(".excursions tbody"), "(+")
	assert.Contains(t, eval[string](b, `new URLSearchParams(location.search).get("beyond")`), "tub-1/water-temperature:above:25.5556")
	address := eval[string](b, "location.pathname + location.search")
	b.open(address, trendReady)
	assert.Equal(t, "78", eval[string](b, `document.querySelector("#beyond-value").value`), "the address holds it")
	b.click(".excursions tbody button")
	b.until(zoomed)
}

// A mark says what it is when it is tapped.
func TestMarksOfTheTrendAreTapped(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/trend?p=vivarium-1/relative-humidity&from=2026-07-10T12:00Z&to=2026-07-12T12:00Z", trendReady)
	// The note of 11 July, 9 o'clock, is at 20 hours of 48.
	x, y, width, _ := plotOf(b)
	b.mouse(input.DispatchMouseEventTypeMousePressed, x+width*20/48+3, y+8)
	b.mouse(input.DispatchMouseEventTypeMouseReleased, x+width*20/48+3, y+8)
	b.until(`document.querySelector(".mark").textContent.includes("mister was stuck: nozzle cleaned (invented)")`)
	assert.Contains(t, b.text(".mark"), "11 Jul 2026 09:00: note")
	b.shot("mark-390")
}

// A range is compared with that of any other day.
func TestTrendIsComparedWithAnyDates(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/trend?p=vivarium-1/relative-humidity&span=1d", trendReady)
	b.unfold()
	eval[bool](b, `(() => { const s = document.querySelector("#with"); s.value = "dates"; s.dispatchEvent(new Event("change")); return true; })()`)
	b.until(`!document.querySelector("#with-day").hidden && document.querySelector("#with-day").value === "2026-07-12"`)
	eval[bool](b, `(() => { const d = document.querySelector("#with-day"); d.value = "2026-06-20"; d.dispatchEvent(new Event("change")); return true; })()`)
	b.until(`document.querySelector(".reading").textContent.includes("from 20 Jun 2026: ") && document.querySelectorAll(".exposure thead th").length === 2`)
	require.Equal(t, "2026-06-20", eval[string](b, `new URLSearchParams(location.search).get("with")`))
	b.unfold()
	assert.Contains(t, b.text(".tables"), "(from 20 Jun 2026 14:50)")
}
