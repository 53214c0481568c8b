package web_test

import (
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/stretchr/testify/assert"
)

type pageOfSite struct{ name, path, ready string }

var everyPage = []pageOfSite{
	{"now", "/", nowReady}, {"today", "/today", todayReady}, {"trend", trendPath, trendReady}, {"alarms", "/alarms", alarmsReady},
	{"sensors", "/sensors", sensorsReady}, {"wall", "/wall", wallReady}, {"humidity", "/humidity/vivarium-2", humidityReady},
	{"year", "/year", yearReady}, {"try", "/try?p=vivarium-2/relative-humidity", tryReady},
}

// visit is a look at a page on a screen. To open a page costs more than to ask it something, so that each visit answers several questions.
type visit struct {
	*tab
	page   pageOfSite
	screen screen
	look   string
	before float64 // bytes that the tab had received before the page was opened
}

func (v *visit) name() string { return v.page.name + "-" + v.screen.name + "-" + v.look }

// Each page, on narrow and wide screens and in both themes, fits the screen. On a phone and on a desk it stays where it is while it is
// drawn, and the checker finds nothing; on a phone its first view is small and its letters may be large, and the dark colours are as good
// as the light ones; on a desk it is used from the keyboard. Words do not depend on the theme, nor colours on the screen.
func TestEveryPageIsSoundOnEveryScreen(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	r.breathe(t) // a page that has lost its site offers no buttons
	for _, at := range []struct {
		screen    screen
		look      string
		questions []func(*visit)
	}{
		{small, "light", []func(*visit){(*visit).fits}},
		{phone, "light", []func(*visit){(*visit).isSmall, (*visit).isStill, (*visit).fits, (*visit).takesLargeLetters, (*visit).isSound, (*visit).isSoundInTheDark}},
		{desk, "light", []func(*visit){(*visit).isStill, (*visit).fits, (*visit).isReachedByKeyboard, (*visit).isSound}},
		{desk, "dark", []func(*visit){(*visit).fits}},
	} {
		b := openTab(t, site, at.screen)
		call(b, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: at.screen == phone}) // where each view is a first one
		call(b, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: watchShifts})
		for _, p := range everyPage {
			b.look(at.look)
			v := &visit{b, p, at.screen, at.look, b.bytes()}
			b.open(p.path, p.ready)
			for _, ask := range at.questions {
				ask(v)
			}
		}
	}
}

func (v *visit) fits() { v.tab.fits(v.name(), v.screen) }

// isSmall: the page comes quickly over a slow line.
func (v *visit) isSmall() {
	received := v.bytes() - v.before
	v.Logf("%s: %.1f KB in all, as it came over the line", v.page.name, received/1000)
	assert.Less(v, received, 150e3, v.page.name)
	assert.Greater(v, received, 10e3, "nothing was counted")
}

// watchShifts collects what moves in a page without its reader.
const watchShifts = `window.shifts = [];
	new PerformanceObserver((list) => { for (const e of list.getEntries()) if (!e.hadRecentInput) window.shifts.push([e.value, e.sources.map((s) => s.node?.className || s.node?.nodeName).join()]); }).observe({type: "layout-shift", buffered: true});`

// isStill: what the page shows first comes with its HTML, and nothing that is drawn later pushes it aside (Core Web Vitals: at most 0.1).
func (v *visit) isStill() {
	moved := eval[float64](v.tab, `window.shifts.reduce((sum, [value]) => sum + value, 0)`)
	v.Logf("%s: layout shift %.3f", v.name(), moved)
	assert.LessOrEqual(v, moved, 0.1, "%s: %s", v.name(), eval[string](v.tab, `JSON.stringify(window.shifts)`))
}

// takesLargeLetters: with letters twice as large the page does not have to be moved sideways.
func (v *visit) takesLargeLetters() {
	eval[bool](v.tab, `document.documentElement.style.fontSize = "200%", true`)
	v.shot("large-" + v.page.name)
	assert.LessOrEqual(v, eval[int](v.tab, "document.documentElement.scrollWidth"), int(v.screen.width), "%s: %s", v.page.name, eval[string](v.tab, `[...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest(".scroll, .unseen")).map((e) => e.tagName + "." + e.className).slice(0, 12).join(" ")`))
	eval[bool](v.tab, `document.documentElement.style.fontSize = "", true`)
}

// isReachedByKeyboard: everything that can be clicked can be reached from the keyboard, and first of all the way past the navigation.
func (v *visit) isReachedByKeyboard() {
	wanted := eval[int](v.tab, `[...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")].filter((e) => !e.disabled && e.tabIndex >= 0 && e.offsetParent !== null && e.checkVisibility()).length`)
	eval[bool](v.tab, `(() => { window.reached = new Set(); document.addEventListener("focusin", (e) => window.reached.add(e.target)); document.activeElement.blur(); return true; })()`)
	for n := range wanted + 12 {
		v.keys("\t")
		if n == 0 && v.page.name == "now" {
			assert.Equal(v, "Skip to content", eval[string](v.tab, "document.activeElement.textContent"))
		}
	}
	reached := eval[int](v.tab, `[...window.reached].filter((e) => e.tabIndex >= 0).length`)
	assert.GreaterOrEqual(v, reached, wanted, v.page.name)
	eval[bool](v.tab, `document.activeElement.blur(), true`)
}

// isSound: the checker finds nothing, with everything unfolded.
func (v *visit) isSound() {
	v.unfold()
	v.checked(v.name(), everyRule)
}

// isSoundInTheDark: nor does it in the dark colours, which the page takes from its button where it has one.
func (v *visit) isSoundInTheDark() {
	eval[bool](v.tab, `(() => { const l = document.querySelector("button.look"); if (l) l.click(); else document.documentElement.dataset.look = "dark"; return true; })()`)
	v.until(`document.documentElement.dataset.look === "dark"`)
	v.sound(v.page.name+"-"+v.screen.name+"-dark", v.screen, colourRules)
}
