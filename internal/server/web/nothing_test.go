package web_test

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An address that there is not answers a person with a page that leads on, and a program in JSON.
func TestMissingAddressLeadsOn(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	code, data := ask(t, site+"/api/nowhere")
	assert.Equal(t, http.StatusNotFound, code)
	assert.JSONEq(t, `{"code":"not-found","message":"there is no such address: see /api/openapi.json"}`, string(data))
	code, _ = ask(t, site+"/nowhere")
	assert.Equal(t, http.StatusNotFound, code)
	for _, s := range []screen{phone, desk} {
		b := openTab(t, site, s)
		for _, look := range []string{"light", "dark"} {
			b.look(look)
			b.open("/nowhere", `document.querySelector("h1").textContent === "There is no such page"`)
			b.sound("missing-"+s.name+"-"+look, s, rulesOf[look])
		}
		b.click(".entry a")
		b.until(`location.pathname === "/" && document.querySelector(".verdict") !== null`)
	}
}

// The tab has an icon, and a phone can put the pages on its home screen.
func TestIconAndManifest(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	code, icon := ask(t, site+"/icon.svg")
	require.Equal(t, http.StatusOK, code)
	assert.Contains(t, string(icon), "<svg")
	code, data := ask(t, site+"/manifest.webmanifest")
	require.Equal(t, http.StatusOK, code)
	var m struct {
		Start string `json:"start_url"`
		Icons []struct{ Src string }
	}
	require.NoError(t, json.Unmarshal(data, &m))
	assert.Equal(t, "/", m.Start)
	require.Len(t, m.Icons, 1)
	assert.Equal(t, "/icon.svg", m.Icons[0].Src)
	_, page := ask(t, site+"/")
	assert.Contains(t, string(page), `href="/icon.svg"`)
	assert.Contains(t, string(page), `href="/manifest.webmanifest"`)
}

// Readings as the keeper reads them are the canonical ones converted, without the dust of the conversion.
func TestReadingsInTheUnitOfTheKeeper(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	const query = "/api/readings.csv?point=tub-1/water-temperature&point=vivarium-1/relative-humidity&from=2026-07-13T00:00:00Z&to=2026-07-13T12:00:00Z"
	rows := func(path string) [][]string {
		code, data := ask(t, site+path)
		require.Equal(t, http.StatusOK, code)
		rows, err := csv.NewReader(strings.NewReader(string(data))).ReadAll()
		require.NoError(t, err)
		return rows
	}
	canonical, shown := rows(query), rows(query+"&temperature=degF")
	require.Len(t, shown, len(canonical))
	clean := regexp.MustCompile(`^-?\d+(\.\d{1,6})?$`)
	for i := 1; i < len(shown); i++ {
		assert.Regexp(t, clean, shown[i][2])
		want, err := strconv.ParseFloat(canonical[i][2], 64)
		require.NoError(t, err)
		got, err := strconv.ParseFloat(shown[i][2], 64)
		require.NoError(t, err)
		if strings.HasSuffix(shown[i][1], "water-temperature") {
			require.Equal(t, "degF", shown[i][3])
			want = want*9/5 + 32
		}
		require.Less(t, math.Abs(got-want), 1e-6, fmt.Sprint(shown[i]))
	}
}

// Where the system chooses the colours, what is pressed has an edge, and the drop is still seen on its band.
func TestForcedColoursLeaveTheShapes(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "forced-colors", Value: "active"}}})
	b.open("/", nowReady)
	assert.Equal(t, "solid", eval[string](b, `getComputedStyle(document.querySelector("[aria-pressed=true]")).outlineStyle`))
	assert.NotEqual(t, eval[string](b, `getComputedStyle(document.querySelector(".drop")).fill`), eval[string](b, `getComputedStyle(document.querySelector(".gauge .inside")).fill`))
	b.shot("forced-390")

	// A day of the year and a tile of the wall differ by a shape where they do by colour.
	b.open("/year", yearReady)
	b.shot("forced-year-390")
	assert.Equal(t, `"▲"`, eval[string](b, `getComputedStyle(document.querySelector('.year [data-zone="critical-high"]'), "::before").content`))
	const edge = `getComputedStyle(document.querySelector('.year [data-zone="%s"]')).borderStyle`
	assert.NotEqual(t, eval[string](b, fmt.Sprintf(edge, "in-band")), eval[string](b, fmt.Sprintf(edge, "unknown")))
	b.open("/wall", wallReady)
	b.shot("forced-wall-390")
	assert.Equal(t, "double", eval[string](b, `getComputedStyle(document.querySelector('.tile[data-state="critical"]')).outlineStyle`))
}

// Today keeps the edges of its buttons and of its tasks, and says in words what else has a colour.
func TestTodayInForcedColours(t *testing.T) {
	b := openTab(t, runDaemon(t), phone)
	call(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "forced-colors", Value: "active"}}})
	b.open("/today", todayReady)
	b.shot("forced-today-390")
	const style = `getComputedStyle(document.querySelector(".task button"))`
	assert.Equal(t, "solid", eval[string](b, style+`.borderTopStyle`), "the button has an edge")
	assert.NotEqual(t, eval[string](b, style+`.borderTopColor`), eval[string](b, style+`.backgroundColor`), "that is seen")
	assert.NotEqual(t, eval[string](b, style+`.color`), eval[string](b, style+`.backgroundColor`))
	assert.Contains(t, b.text(".task"), "overdue")
}
