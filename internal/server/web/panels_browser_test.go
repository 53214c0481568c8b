package web_test

import (
	"io"
	"net/http"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/quantity"
	"dewline/internal/server/status"
)

// The page begins with the first panel of the configuration, changes to another, and says when what it shows is none of them.
func TestTrendDrawsThePanelsOfTheConfiguration(t *testing.T) {
	r := newRig(t).withPanels()
	r.breathe(t)
	site := r.serve(t, r.options(t))
	panel := `(() => { const s = document.querySelector("#panel"); return s.selectedOptions[0].textContent; })()`
	for _, s := range []screen{phone, desk} {
		b := openTab(t, site, s)
		b.open("/trend", trendReady)
		assert.Equal(t, "Larvae and the heat of the loft", eval[string](b, panel), s.name)
		assert.Equal(t, "?p=tub-1/water-temperature,tub-5/water-temperature,loft/air-temperature&p=loft/relative-humidity&span=1w", eval[string](b, "location.search"))
		assert.Equal(t, 2, eval[int](b, `document.querySelectorAll(".chart").length`))
		assert.Equal(t, 4, eval[int](b, `document.querySelectorAll(".exposure thead th").length`), "a column for each of the four points")
		assert.Equal(t, "tub-5, water temperatureThe loft, air temperature", b.text(".chart .legend"))
		for _, words := range []string{"tub-5, water temperature: ", "The loft, air temperature: "} {
			assert.Contains(t, b.text(".chart .reading"), words)
		}
		assert.NotContains(t, b.text(".chart .reading"), "not known")
		assert.Contains(t, eval[string](b, `document.querySelector(".chart .plot").getAttribute("aria-label")`), "Long dashes: tub-5, water temperature; dots: The loft, air temperature.")
		b.sound("panels-"+s.name, s, everyRule)

		eval[bool](b, `(() => { const s = document.querySelector("#panel"); s.value = "1"; s.dispatchEvent(new Event("change")); return true; })()`)
		b.until(`document.querySelectorAll(".chart").length === 4 && !document.querySelector("#page").classList.contains("busy")`)
		assert.Equal(t, "Vivaria", eval[string](b, panel))
		assert.Contains(t, eval[string](b, "location.search"), "span=1d", "a panel brings its span")
		b.unfold()
		eval[bool](b, `(() => { const c = document.querySelector(".choices input:checked"); c.click(); return true; })()`)
		b.until(`document.querySelectorAll(".chart").length === 3`)
		assert.Equal(t, "my own choice", eval[string](b, panel))
		eval[bool](b, `(() => { history.back(); return true; })()`)
		b.until(`document.querySelectorAll(".chart").length === 4`)
	}
}

// A configuration that is read again while the page is open changes what is offered, and not what is shown.
func TestOpenTrendFollowsThePanels(t *testing.T) {
	r := newRig(t).withPanels()
	r.breathe(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/trend", trendReady)
	offered := `[...document.querySelectorAll("#panel option")].map(o => o.textContent).join(", ")`
	assert.Equal(t, "my own choice, Larvae and the heat of the loft, Vivaria, All water", eval[string](b, offered))
	change := func(panels ...status.Panel) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.panels = panels
		r.publish()
	}
	vivaria := r.panels[1]
	heat := status.Panel{Title: "Heat", Span: "1d", Charts: [][]quantity.Point{{{Place: "loft", Quantity: quantity.AirTemperature}}}}
	change(heat, vivaria)
	b.until(`document.querySelectorAll("#panel option").length === 3 && document.querySelector("#panel option:nth-child(2)").textContent === "Heat"`)
	assert.Equal(t, "my own choice", eval[string](b, `document.querySelector("#panel").selectedOptions[0].textContent`), "what is shown is no panel any more")
	assert.Equal(t, 2, eval[int](b, `document.querySelectorAll(".chart").length`))

	eval[bool](b, `(() => { const s = document.querySelector("#panel"); s.value = "0"; s.dispatchEvent(new Event("change")); return true; })()`)
	b.until(`document.querySelectorAll(".chart").length === 1 && !document.querySelector("#page").classList.contains("busy")`)
	assert.Equal(t, "?p=loft/air-temperature&span=1d", eval[string](b, "location.search"))
	change()
	b.until(`document.querySelector("#panel").closest("[hidden]") !== null`)
	assert.Equal(t, 1, eval[int](b, `document.querySelectorAll(".chart").length`))
}

// An address that names points is what a message or a bookmark meant, whatever the panels are.
func TestTrendOfAnAddressIsNoPanel(t *testing.T) {
	r := newRig(t).withPanels()
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open(trendPath, trendReady)
	assert.Equal(t, "", eval[string](b, `document.querySelector("#panel").value`))
	assert.Equal(t, 2, eval[int](b, `document.querySelectorAll(".chart").length`))
}

// The plain page has the panels with the values of now, and the readings of their span as a file.
func TestPlainTrendHasThePanels(t *testing.T) {
	r := newRig(t).withPanels()
	options := r.options(t)
	options.Pages = nil
	at := r.serve(t, options)
	fetch := func(path string) string {
		answer, err := http.Get(at + path)
		require.NoError(t, err)
		defer answer.Body.Close()
		require.Equal(t, http.StatusOK, answer.StatusCode, path)
		body, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		return string(body)
	}
	page := fetch("/trend")
	for _, words := range []string{
		"<h2>Larvae and the heat of the loft</h2>", `<th scope="row">tub-5, water temperature</th>`, "<h2>Vivaria</h2>",
		`from=2026-07-07T13%3A50%3A00Z&amp;point=tub-1%2Fwater-temperature`, "Readings of the last month as CSV",
	} {
		assert.Contains(t, page, words)
	}
	assert.NotContains(t, page, "<h2>tub-3")
	assert.Contains(t, fetch("/"), `<a href="/trend">Trend</a>`)
	assert.Contains(t, fetch("/"), "<h2>tub-3")
	for _, s := range []screen{phone, desk} {
		b := openTab(t, at, s)
		b.open("/trend", `document.querySelectorAll("table.points").length === 3`)
		b.fits("panels-plain-"+s.name, s)
	}
}
