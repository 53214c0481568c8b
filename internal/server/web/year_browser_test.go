package web_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

// An hour of heat in half a year is seen and rightly dated, and nothing is claimed of the time in which nothing was recorded.
func TestHourOfHeatInHalfAYearIsSeen(t *testing.T) {
	r := newRig(t)
	p := point(t, "tub-1/water-temperature")
	readings := slices.Clone(r.readings[p])
	begin := time.Date(2026, 7, 3, 15, 0, 0, 0, r.site.Location)
	for i := range readings {
		if passed := readings[i].At.Sub(instant.Of(begin)); passed >= 0 && passed < time.Hour {
			readings[i] = store.Sample{At: readings[i].At, Value: 34, Flag: quantity.Pass}
			if passed == 30*time.Minute {
				readings[i].Value = 35
			}
		}
	}
	r.readings[p] = readings
	site := r.serve(t, r.options(t))
	for _, s := range []screen{phone, desk} {
		b := openTab(t, site, s)
		for _, look := range []string{"light", "dark"} {
			b.look(look)
			b.open("/trend?p=tub-1/water-temperature&from=2026-01-01T00:00Z&to=2026-07-14T12:00Z", trendReady)
			b.shot("half-year-" + s.name + "-" + look)
			assert.Contains(t, b.text("figcaption"), "highest 95.0 °F on 3 Jul 15:30")
			assert.Contains(t, b.text("figcaption"), "one gap in which nothing is known, 67.8 % of the range")
			// Of the canvas at a time, count what has the colour of a variable of the style.
			count := func(at time.Time, colour string) int {
				from, to := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
				return eval[int](b, fmt.Sprintf(`(() => {
					const c = document.querySelector(".chart canvas"), o = document.querySelector(".u-over"), x = Math.round(parseFloat(o.style.left) + o.clientWidth * %v);
					const hex = getComputedStyle(document.documentElement).getPropertyValue("--%s").trim(), want = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));
					const d = c.getContext("2d").getImageData(x - 1, 0, 3, c.height).data; let n = 0;
					for (let i = 0; i < d.length; i += 4) if (want.every((v, k) => Math.abs(d[i + k] - v) < 6)) n++; return n; })()`,
					float64(at.Sub(from))/float64(to.Sub(from)), colour))
			}
			noon := time.Date(2026, 7, 3, 12, 0, 0, 0, r.site.Location)
			assert.Greater(t, count(noon, "rust"), 15, "the heat of that day, on %s %s", s.name, look)
			winter := time.Date(2026, 2, 20, 12, 0, 0, 0, time.UTC)
			assert.Zero(t, count(winter, "bandline"), "no band where nothing was recorded")
		}
	}
}
