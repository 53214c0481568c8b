package web_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/server/web"
)

var narrow = screen{name: "narrow", width: 320, height: 640, phone: true}

// The page shows the days of the enclosure, what is missing in them, and what a schedule that is tried would bring.
func TestHumidityPageInABrowser(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	for _, s := range []screen{narrow, phone, desk} {
		b := openTab(t, site, s)
		b.open("/humidity/vivarium-1", humidityReady)
		b.unfold()
		assert.LessOrEqual(t, eval[int](b, "document.documentElement.scrollWidth"), int(s.width), s.name)
		assert.Equal(t, "Humidity of Vivarium 1, planted – north-loft", eval[string](b, `document.title.replace(/^\([^)]+\) /, "")`))
		assert.Greater(t, eval[int](b, `document.querySelectorAll(".strip .mist[data-state=recorded]").length`), 7, "two a day, but for the two days of a clogged nozzle")
		assert.Positive(t, eval[int](b, `document.querySelectorAll(".folded .ribbon").length`))
	}
	b := openTab(t, site, desk)
	b.open("/humidity/vivarium-1", humidityReady)
	before := eval[int](b, `document.querySelectorAll(".schedules thead th").length`)
	b.click(`.plan-acts button[type="button"]`)
	b.click(`.plan-acts button[type="submit"]`)
	b.until(`[...document.querySelectorAll(".schedules thead th")].some((th) => th.textContent === "tried")`)
	assert.Equal(t, before+1, eval[int](b, `document.querySelectorAll(".schedules thead th").length`))
	assert.Contains(t, b.text(".said"), "dewline switches nothing")

	b.open("/", nowReady)
	assert.Equal(t, "/humidity/vivarium-1", eval[string](b, `[...document.querySelectorAll("a")].map((a) => a.getAttribute("href")).find((x) => x?.startsWith("/humidity/vivarium-1")) ?? ""`))
	b.open(trendPath, trendReady)
	assert.Equal(t, "/humidity/vivarium-1", eval[string](b, `document.querySelector('.board a[href^="/humidity/"]').getAttribute("href")`))
}

// A fit that takes a board a while is announced in the place of an empty page, until its answer is there.
func TestHumidityPageSaysThatItWaits(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	call(b, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: `
		const ask = window.fetch; let go; const held = new Promise((resolve) => (go = resolve)); window.release = go;
		window.fetch = async (at, ...rest) => { if (String(at).startsWith("/api/humidity")) await held; return ask(at, ...rest); };`})
	b.open("/humidity/vivarium-1", `document.querySelector("#page [role=status]")?.textContent.includes("Reading the past days")`)
	eval[bool](b, `(release(), true)`)
	b.until(humidityReady)
	assert.NotContains(t, b.text("#page"), "Reading the past days")
}

// Without scripts the page has the figures as tables; what is no enclosure has no such page.
func TestHumidityPageWithoutScripts(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	o.Pages = nil
	site := r.serve(t, o)
	code, data := ask(t, site+"/humidity/vivarium-1")
	require.Equal(t, http.StatusOK, code)
	for _, want := range []string{"Days compared", "The last seven days", "nights within 1 K of the dew point", "100 to 80 %RH", "What another schedule would bring", "now, as measured", "veterinarian decide"} {
		assert.Contains(t, string(data), want)
	}
	for _, path := range []string{"/humidity/loft", "/humidity/nowhere", "/humidity/"} {
		code, _ := ask(t, site+path)
		assert.Equal(t, http.StatusNotFound, code, path)
	}
	o.History = nil
	_, data = ask(t, r.serve(t, o)+"/humidity/vivarium-1")
	assert.Contains(t, string(data), "No history is kept here")
}

// A mark in the journal parts the days: those since it are compared with those before, and the forecast with what came.
func TestScheduleChangePartsTheDays(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	question := site + "/api/humidity?place=vivarium-1"
	page := func() (p web.HumidityPage) {
		code, data := ask(t, question)
		require.Equal(t, http.StatusOK, code, "%s", data)
		var shape struct {
			Changes []web.ScheduleChange `json:"changes"`
			This    struct{ Days int }   `json:"this"`
			Against struct{ Days int }   `json:"against"`
			WhatIf  struct {
				Checked *struct{ Days int } `json:"checked"`
			} `json:"what_if"`
		}
		require.NoError(t, json.Unmarshal(data, &shape))
		p.Changes, p.This.Days = shape.Changes, shape.This.Days
		p.Against = &web.HumiditySpan{Days: shape.Against.Days}
		if shape.WhatIf.Checked != nil {
			p.WhatIf.Checked = &web.CheckedChange{Days: shape.WhatIf.Checked.Days}
		}
		return p
	}
	p := page()
	assert.Empty(t, p.Changes)
	assert.Equal(t, [2]int{7, 7}, [2]int{p.This.Days, p.Against.Days})
	response, err := http.Post(site+"/api/command", "application/json", strings.NewReader(`{"verb":"note","place":"vivarium-1","text":"Schedule changed to 07:30,18:30 (invented)","at":"2026-07-04 09:00"}`))
	require.NoError(t, err)
	response.Body.Close()
	require.Equal(t, http.StatusOK, response.StatusCode)
	question += "&against_from=2026-06-20T00:00:00Z&against_to=2026-07-04T08:00:00Z" // a question of its own: the answer to the first is kept for a minute
	p = page()
	require.Len(t, p.Changes, 1)
	assert.True(t, strings.HasPrefix(p.Changes[0].Text, "Schedule changed"))
	assert.Equal(t, 10, p.This.Days, "the days since, the first one in part")
	require.NotNil(t, p.WhatIf.Checked)
	assert.Equal(t, 9, p.WhatIf.Checked.Days)
}
