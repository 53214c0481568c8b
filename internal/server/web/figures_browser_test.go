package web_test

import (
	"fmt"
	"slices"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/stretchr/testify/assert"
)

// What a phone of a quarter of this machine's speed needs is in the report of the test: when each page shows its data, how much has come over
// the line by then with nothing kept from before, the longest task, which for the trend is the drawing of its chart, and the frames while a
// finger or a wheel moves over a year. Nothing of it is asserted: a busy machine is slow.
func TestFiguresOfAPhone(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	o.History = yearOf{r}
	b := openTab(t, r.serve(t, o), phone)
	call(b, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: 4})
	// The first page of all waits for the browser too. The whole year of all places comes after what the first screen shows of it.
	pages := slices.Concat([]pageOfSite{{"first of all", "/", nowReady}}, everyPage, []pageOfSite{
		{"year, first place", "/year", `document.querySelector(".year a") !== null`},
		{"trend of a year", "/trend?p=tub-1/water-temperature&span=1y", trendReady},
	})
	for _, p := range pages {
		call(b, network.ClearBrowserCache, cdp.Empty{})
		script := call(b, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: fmt.Sprintf(`
			window.longest = 0; window.shownAt = 0;
			new PerformanceObserver((list) => { for (const e of list.getEntries()) window.longest = Math.max(window.longest, e.duration); }).observe({type: "longtask", buffered: true});
			const look = () => { try { if (%s) { window.shownAt = performance.now(); return } } catch {} requestAnimationFrame(look) };
			requestAnimationFrame(look);`, p.ready)})
		b.mu.Lock()
		b.received = 0
		b.mu.Unlock()
		b.open(p.path, p.ready)
		b.until(`window.shownAt > 0`)
		b.mu.Lock()
		received := b.received
		b.mu.Unlock()
		shown := eval[float64](b, `window.shownAt`)
		t.Logf("%-17s data shown after %4.0f ms, %3.0f KB, longest task %3.0f ms", p.name, shown, received/1000, eval[float64](b, `window.longest`))
		assert.Positive(t, shown, p.name)
		call(b, page.RemoveScriptToEvaluateOnNewDocument, page.RemoveScriptToEvaluateOnNewDocumentParams(script))
	}
	over := func(event string) []float64 {
		return eval[[]float64](b, fmt.Sprintf(`new Promise((done) => {
			const over = document.querySelector(".u-over"), box = over.getBoundingClientRect(), frames = [];
			let last = 0, n = 0;
			over.dispatchEvent(new PointerEvent("pointerdown", {pointerId: 1, pointerType: "touch", clientX: box.x + 1, clientY: box.y + 9, bubbles: true}));
			const step = (now) => {
				if (last) frames.push(now - last);
				last = now;
				if (n++ === 90) return done(frames.sort((a, b) => a - b));
				over.dispatchEvent(%s);
				requestAnimationFrame(step);
			};
			requestAnimationFrame(step);
		})`, event))
	}
	for name, event := range map[string]string{
		"the cursor": `new PointerEvent("pointermove", {pointerId: 1, pointerType: "touch", clientX: box.x + box.width * n / 91, clientY: box.y + 9, bubbles: true})`,
		"the range":  `new WheelEvent("wheel", {deltaX: n < 45 ? -3 : 3, clientX: box.x + 9, clientY: box.y + 9, bubbles: true, cancelable: true})`,
	} {
		frames := over(event)
		t.Logf("while %s of a year moves a frame takes %.0f ms in the median, %.0f ms at the longest", name, frames[len(frames)/2], frames[len(frames)-1])
		assert.Len(t, frames, 90)
	}
}
