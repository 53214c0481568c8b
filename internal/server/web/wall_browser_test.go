package web_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/watch"
)

// change puts points as they are after a change into the picture.
func (r *rig) change(change func(*watch.PointState)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	picture := *r.current.Get()
	picture.Points = slices.Clone(picture.Points)
	for i := range picture.Points {
		change(&picture.Points[i])
	}
	r.current.Set(&picture)
}

// The wall is read from three metres, has nothing to press, and fits the screen of a tablet.
func TestWallIsReadFromAfar(t *testing.T) {
	r := newRig(t)
	r.breathe(t)
	site := r.serve(t, r.options(t))
	for _, s := range []screen{small, phone, tablet, desk} {
		b := openTab(t, site, s)
		b.open("/wall", wallReady)
		b.shot("wall-" + s.name)
		tiles := eval[int](b, `document.querySelectorAll(".tile").length`)
		assert.True(t, tiles >= 4 && tiles <= 8, "%d tiles", tiles)
		assert.GreaterOrEqual(t, eval[float64](b, `Math.min(...[...document.querySelectorAll(".tile b")].map((e) => parseFloat(getComputedStyle(e).fontSize)))`), 100.0, s.name)
		assert.Equal(t, 0, eval[int](b, `document.querySelectorAll("main :is(button, a, input, select, summary)").length`), "nothing to press")
		cut := eval[[]string](b, `[...document.querySelectorAll(".tile, .tile h3, .tile .number, .tile .what")].filter((e) => e.scrollWidth > e.clientWidth + 1 || e.getBoundingClientRect().bottom > e.closest(".tile").getBoundingClientRect().bottom + 1).map((e) => e.className + ": " + e.textContent)`)
		assert.Empty(t, cut, "cut off at %s", s.name)
		if s == tablet || s == desk {
			assert.LessOrEqual(t, eval[int](b, `document.documentElement.scrollHeight`), int(s.height), "no scrolling at %s", s.name)
		}
		// What is in trouble differs by more than its colour.
		assert.Equal(t, "critical", eval[string](b, `document.querySelector(".tile").dataset.state`))
		assert.Contains(t, b.text(".tile"), "critically high")
		assert.Equal(t, "double", eval[string](b, `getComputedStyle(document.querySelector(".tile")).outlineStyle`))
		assert.Contains(t, b.text(".verdict"), "need you")
	}
}

// The wall stays as it is for weeks: its tiles keep their places and their number of elements, it says when its values are old, comes
// back by itself, and follows the lights of the site.
func TestWallGoesOnByItself(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	server, stop := r.serveUntil(t, o)
	b := openTab(t, "http://"+server.Addr(), tablet)
	b.open("/wall", wallReady)
	const names = `[...document.querySelectorAll(".tile h3")].map((e) => e.textContent)`
	order := eval[[]string](b, names)
	assert.False(t, eval[bool](b, `document.documentElement.classList.contains("night")`))

	r.change(func(p *watch.PointState) { p.Day = false })
	b.until(`document.documentElement.classList.contains("night")`)
	b.shot("wall-night")
	sum := func(selector string) int {
		return eval[int](b, fmt.Sprintf(`getComputedStyle(document.querySelector(%q)).color.match(/\d+/g).slice(0, 3).reduce((sum, part) => sum + Number(part), 0)`, selector))
	}
	assert.Less(t, sum(".time"), 560, "dim at night")
	elements := eval[int](b, `document.querySelectorAll("*").length`)
	for i := range 5 {
		r.change(func(p *watch.PointState) { p.Value += 0.5 })
		r.change(func(p *watch.PointState) { p.Day = i%2 == 0 })
	}
	b.until(`!document.documentElement.classList.contains("night")`)
	assert.Equal(t, order, eval[[]string](b, names), "no tile has moved")
	assert.Equal(t, elements, eval[int](b, `document.querySelectorAll("*").length`))

	stop()
	b.until(`document.documentElement.classList.contains("lost") && document.querySelector(".lost-note").textContent.startsWith("Nothing heard since")`)
	b.shot("wall-lost")
	assert.Equal(t, "line-through", eval[string](b, `getComputedStyle(document.querySelector(".tile b")).textDecorationLine`))
	assert.Equal(t, "Old: nothing heard since 14:50", b.text(".verdict"))
	assert.Greater(t, eval[float64](b, `parseFloat(getComputedStyle(document.querySelector(".verdict")).fontSize)`), 40.0)
	o.Listen = server.Addr()
	r.serve(t, o)
	r.live(t)
	b.until(`!document.documentElement.classList.contains("lost")`)
	require.Equal(t, order, eval[[]string](b, names))
}
