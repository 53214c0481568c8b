package web_test

import (
	"testing"

	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
)

// A year is a table of days for each place: each a link to its trend, reached by arrow keys, with words for those who do not see colours.
func TestYearIsATableOfDays(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/year", yearReady)
	b.shot("year-390-whole")
	const cells = `[...document.querySelector(".year").querySelectorAll("a")]`
	assert.Equal(t, 365, eval[int](b, cells+`.length`))
	assert.GreaterOrEqual(t, eval[float64](b, `Math.min(...`+cells+`.map((a) => Math.min(a.offsetWidth, a.offsetHeight)))`), 24.0, "large enough for a finger")
	assert.Equal(t, "tub-1", b.text(".year h2"))
	hot := eval[string](b, `document.querySelector('.year [data-day="2026-06-20"]').getAttribute("aria-label")`)
	assert.Contains(t, hot, "20 Jun 2026: ")
	assert.Contains(t, hot, "critically high, water temperature ")
	const good, unknown = `document.querySelector('.year [data-zone="in-band"]')`, `document.querySelector('.year [data-zone="unknown"]')`
	assert.NotEqual(t, eval[string](b, `getComputedStyle(`+good+`).backgroundColor + getComputedStyle(`+good+`).borderStyle`),
		eval[string](b, `getComputedStyle(`+unknown+`).backgroundColor + getComputedStyle(`+unknown+`).borderStyle`))
	assert.Contains(t, eval[string](b, unknown+`.getAttribute("aria-label")`), "not known")
	assert.Equal(t, `"▲"`, eval[string](b, `getComputedStyle(document.querySelector('.year [data-day="2026-06-20"]'), "::before").content`), "a shape beside the colour")

	// One stop of the tab key for each table, the arrow keys within.
	assert.Equal(t, 1, eval[int](b, cells+`.filter((a) => a.tabIndex === 0).length`))
	eval[bool](b, `document.querySelector('.year a[tabindex="0"]').focus(), true`)
	assert.Equal(t, "2026-07-14", eval[string](b, `document.activeElement.dataset.day`))
	b.keys(kb.ArrowUp)
	assert.Equal(t, "2026-07-13", eval[string](b, `document.activeElement.dataset.day`))
	b.keys(kb.ArrowLeft)
	assert.Equal(t, "2026-06-13", eval[string](b, `document.activeElement.dataset.day`))
	b.keys(kb.Home)
	assert.Equal(t, "2025-07-15", eval[string](b, `document.activeElement.dataset.day`))
	b.keys(kb.ArrowUp)
	assert.Equal(t, "2025-07-15", eval[string](b, `document.activeElement.dataset.day`), "there is none before the first")
	b.keys(kb.ArrowRight)
	assert.Equal(t, "2025-08-15", eval[string](b, `document.activeElement.dataset.day`))
	assert.Equal(t, 1, eval[int](b, cells+`.filter((a) => a.tabIndex === 0).length`))
	b.keys(kb.Tab)
	assert.False(t, eval[bool](b, `document.querySelector(".year table").contains(document.activeElement)`), "the tab key leaves the table")
	eval[bool](b, `document.querySelector('.year a[tabindex="0"]').focus(), true`)
	assert.Equal(t, "2025-08-15", eval[string](b, `document.activeElement.dataset.day`), "and comes back to the same day")
	b.keys(kb.End)
	assert.Equal(t, "2026-07-14", eval[string](b, `document.activeElement.dataset.day`))
	eval[bool](b, `document.querySelector('.year [data-day="2026-06-20"]').focus(), true`)
	b.keys(kb.Enter)
	b.until(`location.pathname === "/trend" && document.readyState === "complete" && ` + trendReady)
	assert.Equal(t, "?p=tub-1/water-temperature&from=2026-06-19T23:00Z&to=2026-06-20T23:00Z", eval[string](b, "location.search"))
}
