package web_test

import (
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/web"
)

const (
	nowReady      = `document.querySelectorAll(".spark svg").length > 10`
	trendReady    = `document.querySelector("#page").dataset.drawn !== undefined && document.querySelectorAll(".exposure td").length > 0`
	alarmsReady   = `document.querySelectorAll(".alarm").length > 0 && document.querySelectorAll(".journal tbody tr").length > 0`
	wallReady     = `document.querySelectorAll(".tile .glyph").length >= 4`
	sensorsReady  = `document.querySelectorAll(".sensor").length > 5`
	humidityReady = `document.querySelector("#page").dataset.drawn !== undefined && document.querySelectorAll(".strip").length === 7`
	tryReady      = `document.querySelector("#page").dataset.drawn === "try"`
	yearReady     = `document.querySelector("#page").dataset.drawn !== undefined`
)

const trendPath = "/trend?p=tub-1/water-temperature&p=vivarium-1/relative-humidity&span=1w"

// What a keeper reads at a glance is what the core knows.
func TestNowSaysWhatTheCoreKnows(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), desk)
	b.open("/", nowReady)
	b.unfold()
	text := eval[string](b, "document.body.innerText")
	for i, p := range r.core.Points() {
		s := r.core.State(int32(i))
		if s.Zone == watch.UnknownZone {
			continue
		}
		unit := p.Quantity.Keeper(quantity.Fahrenheit)
		number, _, _ := strings.Cut(unit.Print(s.Value, p.Quantity.Decimals()), " ")
		assert.Contains(t, text, strings.Replace(number, "-", "−", 1), p)
	}
	assert.Contains(t, text, "Europe/Lisbon, WEST")
	assert.Contains(t, text, "not known", "the dead probe")
	assert.Contains(t, text, "critically high since")
	assert.Contains(t, text, "it switches nothing")
	assert.Contains(t, text, "a-2026: larva (Gosner 21–41)")

	// The switch of units changes every number, is kept, and is known to the page without script as well.
	b.click(`button[aria-label$="degrees Celsius"]`)
	index, _ := r.core.Index(point(t, "loft/air-temperature"))
	want := fmt.Sprintf("%.1f", r.core.State(index).Value)
	b.until(fmt.Sprintf(`document.querySelector(".point .value b").textContent === %q && document.querySelector(".point .unit").textContent === "°C"`, want))
	b.open("/", nowReady)
	assert.Equal(t, want, b.text(".point .value b"))
}

func TestValuesComeLive(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/", nowReady)
	read := func() string { return b.text(".point .today") }
	before := read()
	require.Contains(t, before, "last read 14:50:00")
	for range 6 {
		r.advance()
	}
	b.until(fmt.Sprintf(`document.querySelector(".point .today").textContent.includes("last read %s")`, r.now.In(r.site.Location).Format("15:04:05")))
	assert.Equal(t, "live", eval[string](b, `document.querySelector(".pulse").dataset.state`))
}

// A frozen number that looks fine is the worst lie: silence of the daemon and of the server must be seen, counted, and end.
func TestSilenceIsUnmistakable(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	server, stop := r.serveUntil(t, o)
	b := openTab(t, "http://"+server.Addr(), phone)
	b.open("/", nowReady)
	struck := `getComputedStyle(document.querySelector(".point .value b")).textDecorationLine === "line-through" && getComputedStyle(document.querySelector(".point .old")).display !== "none"`
	require.False(t, eval[bool](b, struck))

	// The daemon's loop hangs while the server still answers.
	b.until(`document.documentElement.classList.contains("lost")`)
	assert.Contains(t, b.text(".lost-note"), "the daemon behind it has given no sign of life")
	assert.True(t, eval[bool](b, struck))
	b.shot("lost-390")
	counted := seenAgo(t, b)
	b.until(fmt.Sprintf(`Number(document.querySelector(".pulse").textContent.match(/last seen (\d+) s ago/)[1]) > %d`, counted))

	// It goes on.
	r.advance()
	b.until(`!document.documentElement.classList.contains("lost")`)
	assert.False(t, eval[bool](b, struck))
	assert.Empty(t, b.text(".lost-note"))

	// The server goes, and comes back at the same address.
	stop()
	b.until(`document.querySelector(".lost-note").textContent.includes("Nothing answers: the server may have stopped, or the network between is down.")`)
	assert.True(t, eval[bool](b, `[...document.querySelectorAll(".trouble button")].every((button) => button.disabled)`), "what cannot work is not offered")
	assert.True(t, strings.HasPrefix(eval[string](b, "document.title"), "(?) Now"))
	assert.True(t, eval[bool](b, struck))
	o.Listen = server.Addr()
	r.serve(t, o)
	r.live(t)
	b.until(`!document.documentElement.classList.contains("lost") && document.querySelector(".pulse").dataset.state === "live"`)
	assert.False(t, eval[bool](b, struck))
}

func seenAgo(t *testing.T, b *tab) int {
	text := b.text(".pulse")
	_, after, ok := strings.Cut(text, "last seen ")
	require.True(t, ok, text)
	n, err := strconv.Atoi(strings.Fields(after)[0])
	require.NoError(t, err, text)
	return n
}

func TestJournalFiltersStandInTheAddress(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), desk)
	b.open("/alarms?kinds=notes&place=tub-1", `document.querySelectorAll(".journal tbody tr").length === 2`)
	assert.Contains(t, b.text(".journal tbody"), "first larvae swim free")
	eval[bool](b, `(() => { const s = document.querySelector("#kinds"); s.value = "stages"; s.dispatchEvent(new Event("change")); const p = document.querySelector("#place"); p.value = ""; p.dispatchEvent(new Event("change")); return true; })()`)
	b.until(`document.querySelectorAll(".journal tbody tr").length === 1 && document.querySelector(".journal tbody").textContent.includes("b-2026 is juvenile")`)
	assert.Equal(t, "?kinds=stages", eval[string](b, "location.search"))
	b.open("/alarms?kinds=people", `document.querySelectorAll(".journal tbody tr").length === 40`)
	b.click(".journal > button")
	b.until(`document.querySelectorAll(".journal tbody tr").length === 80`)
}

// rangeOf reads the range from the address.
func rangeOf(t *testing.T, b *tab) (from, to time.Time) {
	address, err := url.Parse(eval[string](b, "location.href"))
	require.NoError(t, err)
	from, err = time.Parse("2006-01-02T15:04Z", address.Query().Get("from"))
	require.NoError(t, err, address)
	to, err = time.Parse("2006-01-02T15:04Z", address.Query().Get("to"))
	require.NoError(t, err, address)
	return from, to
}

func plotOf(b *tab) (x, y, width, height float64) {
	at := eval[[]float64](b, `(() => { const o = document.querySelector(".u-over"); o.scrollIntoView({block: "center", behavior: "instant"}); const r = o.getBoundingClientRect(); return [r.x, r.y, r.width, r.height]; })()`)
	return at[0], at[1], at[2], at[3]
}

const zoomed = `new URLSearchParams(location.search).has("from") && document.querySelector("#page").dataset.drawn !== undefined && !document.querySelector("#page").classList.contains("busy")`

func TestTrendIsZoomedByMouseWheelAndKeyboard(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), desk)
	b.open(trendPath, trendReady)
	week := 7 * 24 * time.Hour
	end := r.past.at

	// Drag over the third and fourth seventh of the week.
	x, y, width, height := plotOf(b)
	b.mouse(input.DispatchMouseEventTypeMousePressed, x+width*2/7, y+height/2)
	for step := range 8 {
		b.mouse(input.DispatchMouseEventTypeMouseMoved, x+width*(2+2*float64(step+1)/8)/7, y+height/2)
	}
	b.mouse(input.DispatchMouseEventTypeMouseReleased, x+width*4/7, y+height/2)
	b.until(zoomed)
	from, to := rangeOf(t, b)
	const pixel = 20 * time.Minute // a pixel is eight minutes wide
	assert.WithinDuration(t, end.Add(-week*5/7), from, pixel)
	assert.WithinDuration(t, end.Add(-week*3/7), to, pixel)
	b.until(`[...document.querySelectorAll("section p.dim")].some((p) => p.textContent.startsWith("From "))`)
	b.shot("zoomed-1440")

	// The address holds the view: the same page again shows the same range; going back shows the week.
	address := eval[string](b, "location.pathname + location.search")
	b.open(address, zoomed)
	assert.Contains(t, b.text(".range-title"), "(2 d")
	eval[bool](b, "history.back(), true")
	b.until(`new URLSearchParams(location.search).get("span") === "1w" && document.querySelector(".range-title").textContent.includes("(7 d)")`)

	// Keyboard: plus halves the range, the arrows read values aloud.
	eval[bool](b, `document.querySelector(".plot").focus(), true`)
	b.keys("+")
	b.until(zoomed)
	from, to = rangeOf(t, b)
	assert.InDelta(t, (week / 2).Hours(), to.Sub(from).Hours(), 0.2)
	b.until(`(document.querySelector("#page").dataset.drawn ?? "").startsWith(String(Date.parse(new URLSearchParams(location.search).get("from"))).slice(0, 8))`)
	b.keys(kb.ArrowLeft)
	b.until(`document.querySelector(".chart .unseen").textContent.includes("°F")`)
	spoken := b.text(".chart .unseen")
	b.keys(kb.ArrowLeft)
	b.until(fmt.Sprintf(`document.querySelector(".chart .unseen").textContent !== %q`, spoken))

	// The wheel belongs to the page until the chart has been taken; here it has.
	x, y, width, height = plotOf(b)
	wheel := input.DispatchMouseEventParams{Type: input.DispatchMouseEventTypeMouseWheel, X: x + width/2, Y: y + height/2, DeltaX: 1, DeltaY: -300}
	call(b, input.DispatchMouseEvent, wheel)
	b.until(fmt.Sprintf(`Date.parse(new URLSearchParams(location.search).get("to")) - Date.parse(new URLSearchParams(location.search).get("from")) < %d`, (week / 3).Milliseconds()))

	// Every chart of the page has moved with it.
	assert.Equal(t, 2, eval[int](b, `document.querySelectorAll(".chart canvas").length`))
}

func TestTrendIsPinchedOnAPhone(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open(trendPath, trendReady)
	x, y, width, height := plotOf(b)
	touch := func(kind input.DispatchTouchEventType, shares ...float64) {
		params := input.DispatchTouchEventParams{Type: kind, TouchPoints: []*input.TouchPoint{}}
		for i, share := range shares {
			params.TouchPoints = append(params.TouchPoints, &input.TouchPoint{X: x + width*share, Y: y + height/2, ID: new(float64(i))})
		}
		call(b, input.DispatchTouchEvent, params)
	}
	touch(input.DispatchTouchEventTypeTouchStart, 0.4)
	b.until(`/^\d/.test(document.querySelector(".reading").textContent)`) // one finger reads
	touch(input.DispatchTouchEventTypeTouchStart, 0.4, 0.6)
	for _, spread := range []float64{0.05, 0.1, 0.15, 0.2} {
		touch(input.DispatchTouchEventTypeTouchMove, 0.4-spread, 0.6+spread)
	}
	touch(input.DispatchTouchEventTypeTouchEnd)
	b.until(zoomed)
	// A slow browser shows the pinch on its way first.
	assert.Eventually(t, func() bool {
		from, to := rangeOf(t, b)
		return math.Abs(7*24.0/3-to.Sub(from).Hours()) < 4
	}, 20*time.Second, 50*time.Millisecond, "the fingers end three times as far apart")
}

func TestTrendComparesExposesAndGivesAway(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	b := openTab(t, site, desk)
	b.open("/trend?p=vivarium-1/relative-humidity&p=vivarium-1/vapour-pressure-deficit&span=1w&with=7d", trendReady)
	b.until(`document.querySelectorAll(".exposure thead th").length === 4`)
	assert.Contains(t, b.text(".reading"), "a week before: ")
	b.shot("compared-1440")

	// The table is that of exactly the range on the page.
	to := instant.Of(r.past.at)
	want := get[web.ExposureTable](t, site+"/api/exposure?point=vivarium-1/relative-humidity&"+between(to.Add(-7*24*time.Hour), to)).Points[0].Exposure
	inBand := time.Duration(want.Seconds[watch.InBand]) * time.Millisecond
	assert.Contains(t, b.text(".exposure tbody td"), fmt.Sprintf("(%.1f %%)", 100*inBand.Hours()/(7*24)))

	code, data := ask(t, site+eval[string](b, `document.querySelector('.files a').getAttribute("href")`))
	require.Equal(t, 200, code)
	assert.Equal(t, 2*7*24*60+1, strings.Count(string(data), "\n"), "a row for each minute of both points, and the head")

	// The picture is one of the charts, as large as they are.
	eval[bool](b, `(() => { HTMLAnchorElement.prototype.click = function () { window.given = [this.download, this.href]; }; return true; })()`)
	b.look("dark")
	eval[bool](b, `document.documentElement.dataset.look = "dark", true`)
	b.unfold()
	b.click(".files button")
	b.until("window.given")
	assert.Equal(t, "dark", eval[string](b, "document.documentElement.dataset.look"), "the page is as it was")
	corner := eval[[]int](b, `new Promise((done, failed) => { const i = new Image(); i.onload = () => { const c = document.createElement("canvas"); c.width = c.height = 1; const x = c.getContext("2d"); x.drawImage(i, 0, 0); done([...x.getImageData(0, 0, 1, 1).data]); }; i.onerror = failed; i.src = window.given[1]; })`)
	assert.Equal(t, []int{0xf2, 0xf0, 0xe6, 0xff}, corner, "on light paper, whatever the theme")
	assert.Equal(t, "north-loft_2026-07-07_2026-07-14.png", eval[string](b, "window.given[0]"))
	size := eval[[]int](b, `new Promise((done, failed) => { const i = new Image(); i.onload = () => done([i.naturalWidth, i.naturalHeight]); i.onerror = failed; i.src = window.given[1]; })`)
	assert.Greater(t, size[0], 1000)
	assert.Greater(t, size[1], 480)
}

// The band is drawn as it was at that time: on both sides of a stage change, and of night and day.
func TestTrendDrawsTheBandAsItWas(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), desk)
	b.look("light")
	b.open("/trend?p=grow-out/relative-humidity&from=2026-07-05T12:00Z&to=2026-07-07T12:00Z", trendReady)
	b.shot("stage-change-1440")
	assert.Contains(t, b.text(".tables"), "b-2026 is juvenile")
	// Of the canvas, just right of the left edge and just left of the right one, count what has the colour of the band.
	tinted := func(share float64) int {
		return eval[int](b, fmt.Sprintf(`(() => { const c = document.querySelector(".chart canvas"), o = document.querySelector(".u-over"); const x = Math.round(parseFloat(o.style.left) + o.clientWidth * %v); const d = c.getContext("2d").getImageData(x, 0, 1, c.height).data; let n = 0; for (let i = 0; i < d.length; i += 4) if (d[i + 1] > d[i] + 8 && d[i + 1] > d[i + 2] + 8) n++; return n; })()`, share))
	}
	before, after := tinted(0.02), tinted(0.98)
	assert.NotEqual(t, before, after, "metamorph and juvenile have different bands")
	assert.NotZero(t, before)
	assert.NotZero(t, after)
}

func TestGapsAreSaid(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), desk)
	b.open("/trend?p=tub-3/water-temperature&span=1w", trendReady)
	assert.Contains(t, b.text("figcaption"), "one gap in which nothing is known")
	b.click("figcaption summary")
	b.until(`document.querySelector("figcaption tbody tr") !== null`)
	assert.Contains(t, b.text(".exposure tbody"), "5 h")
	b.shot("gap-1440")
}

func TestNoScriptShowsTheValues(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	require.Empty(t, call(b, page.Navigate, page.NavigateParams{URL: b.site + "/"}).ErrorText)
	b.until(`document.body?.innerText.includes("The page loads itself again every ten seconds")`)
	index, _ := r.core.Index(point(t, "loft/air-temperature"))
	assert.Contains(t, eval[string](b, "document.body.innerText"), quantity.Fahrenheit.Print(r.core.State(index).Value, 1))
	b.shot("noscript-390")
}

func TestUnbuiltPagesSayWhy(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	o.Pages = nil
	b := openTab(t, r.serve(t, o), phone)
	b.open("/", `document.body.innerText.includes("were not built into this program")`)
	b.shot("unbuilt-390")
}

// BenchmarkYearTrend prints how long a year of one point takes from the click to the drawn chart, and how long the cursor takes
// for one step on it. The store is not in it: it is a slice of made-up columns here.
func BenchmarkYearTrend(b *testing.B) {
	r := newRig(b)
	o := r.options(b)
	o.History = yearOf{r}
	t := openTab(b, r.serve(b, o), desk)
	t.open("/trend?p=tub-1/water-temperature&span=1d", trendReady)
	var drawn, step float64
	for b.Loop() {
		took := eval[string](t, `(async () => {
			const page = document.querySelector("#page"), year = document.querySelector("[data-span='1y']"), day = document.querySelector("[data-span='1d']");
			const until = async (what) => { while (!what()) await new Promise(requestAnimationFrame); };
			const length = () => { const [a, b] = (page.dataset.drawn ?? "0-0").split("-").map(Number); return b - a; };
			day.click(); await until(() => length() < 2 * 86400e3);
			const begin = performance.now(); year.click(); await until(() => length() > 300 * 86400e3); const drawn = performance.now() - begin;
			const over = document.querySelector(".u-over"), box = over.getBoundingClientRect();
			over.dispatchEvent(new MouseEvent("mouseenter", {bubbles: true, clientX: box.left, clientY: box.top + 20}));
			const start = performance.now();
			for (let i = 0; i < 120; i++) { over.dispatchEvent(new MouseEvent("mousemove", {bubbles: true, clientX: box.left + i * box.width / 120, clientY: box.top + 20})); await new Promise(requestAnimationFrame); }
			return JSON.stringify([drawn, (performance.now() - start) / 120]);
		})()`)
		var both [2]float64
		require.NoError(b, json.Unmarshal([]byte(took), &both))
		drawn, step = drawn+both[0], step+both[1]
	}
	b.ReportMetric(drawn/float64(b.N), "ms/year-drawn")
	b.ReportMetric(step/float64(b.N), "ms/cursor-frame")
}
