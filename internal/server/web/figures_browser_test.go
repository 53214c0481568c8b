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
// the line by then with nothing kept from before, and the longest task, which for the trend is the drawing of its chart. Nothing of it is asserted: a busy machine is slow.
func TestFiguresOfAPhone(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	o.History = yearOf{r}
	b := openTab(t, r.serve(t, o), phone)
	call(b, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: 4})
	pages := slices.Clone(everyPage)
	pages = append(pages, pages[2])
	pages[len(pages)-1].name, pages[len(pages)-1].path = "trend of a year", "/trend?p=tub-1/water-temperature&span=1y"
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
		t.Logf("%-15s data shown after %4.0f ms, %3.0f KB, longest task %3.0f ms", p.name, shown, received/1000, eval[float64](b, `window.longest`))
		assert.Positive(t, shown, p.name)
		call(b, page.RemoveScriptToEvaluateOnNewDocument, page.RemoveScriptToEvaluateOnNewDocumentParams(script))
	}
}
