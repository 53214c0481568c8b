package web_test

import (
	"encoding/xml"
	"errors"
	"io"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The SVG file holds every chart of the page with title, range, captions and legend, in light colours whatever the theme.
func TestDrawingHoldsTheChartsAndTheirWords(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), desk)
	b.look("dark")
	b.open(trendPath, trendReady)
	eval[bool](b, `(() => { HTMLAnchorElement.prototype.click = function () { window.given = [this.download, this.href]; }; const make = URL.createObjectURL; URL.createObjectURL = (blob) => { window.blob = blob; return make.call(URL, blob); }; return true; })()`)
	b.unfold()
	b.click(".files button:nth-of-type(2)")
	b.until("window.given")
	assert.Equal(t, "north-loft_2026-07-07_2026-07-14.svg", eval[string](b, "window.given[0]"))
	text := eval[string](b, "window.blob.text()")
	paths, lengths := 0, 0
	for decoder := xml.NewDecoder(strings.NewReader(text)); ; {
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		if start, ok := token.(xml.StartElement); ok && start.Name.Local == "path" {
			paths++
			for _, a := range start.Attr {
				if a.Name.Local == "d" {
					lengths += len(a.Value)
				}
			}
		}
	}
	assert.GreaterOrEqual(t, paths, 4, "an envelope and a mean for each of two charts")
	assert.Greater(t, lengths, 10_000)
	for _, part := range []string{
		"north-loft: 7 Jul 2026 14:50 to 14 Jul 2026 14:50 (7 d)", "tub-1, water temperature in °F", "Vivarium 1, planted, relative humidity in %RH",
		"Lowest ", "line: mean; grey: lowest to highest; in colour: beyond the band", "#f2f0e6",
	} {
		assert.Contains(t, text, part)
	}
	assert.NotContains(t, text, "NaN")
	eval[bool](b, `new Promise((done, failed) => { const i = new Image(); i.onload = () => { document.body.replaceChildren(i); done(true); }; i.onerror = failed; i.src = window.given[1]; })`)
	b.shot("drawing")
}

// Points that are drawn together are together in the file and in the table, each named with its dashes, beside an older range too.
func TestDrawingOfPointsTogether(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), desk)
	b.open("/trend?p=tub-1/water-temperature,tub-5/water-temperature,loft/air-temperature&span=1w&with=7d", trendReady)
	for _, words := range []string{"the week before: ", "tub-5, water temperature: ", "The loft, air temperature: "} {
		assert.Contains(t, strings.ReplaceAll(b.text(".chart .reading"), "a week before", "the week before"), words)
	}
	assert.NotContains(t, b.text(".chart .reading"), "not known")
	eval[bool](b, `(() => { document.querySelector(".chart details").open = true; return true; })()`)
	b.until(`document.querySelectorAll(".chart tbody tr:first-child td").length === 5`)
	eval[bool](b, `(() => { HTMLAnchorElement.prototype.click = function () { window.given = [this.download, this.href]; }; const make = URL.createObjectURL; URL.createObjectURL = (blob) => { window.blob = blob; return make.call(URL, blob); }; return true; })()`)
	b.unfold()
	b.click(".files button:nth-of-type(2)")
	b.until("window.given")
	text := eval[string](b, "window.blob.text()")
	words := regexp.MustCompile(`</text><text[^>]*>`).ReplaceAllString(text, " ") // of more than one line
	for _, part := range []string{"Long dashes: tub-5, water temperature; dots: The loft, air temperature.", `stroke-dasharray="10 4"`, `stroke-dasharray="2 4"`} {
		assert.True(t, strings.Contains(words, part), part)
	}
	assert.False(t, strings.Contains(words, "NaN"))
}
