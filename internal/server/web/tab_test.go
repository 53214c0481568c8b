package web_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/cdproto/storage"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"dewline/dashboards"
)

// browserPath is Debian's Chromium. The tests fail where it or the built pages are missing: pages that were not opened
// in a browser are not known to work.
const browserPath = "/usr/bin/chromium"

// screen is a size that people have.
type screen struct {
	name          string
	width, height int64
	phone         bool
}

var (
	small  = screen{"320", 320, 568, true}
	phone  = screen{"390", 390, 844, true}
	tablet = screen{"1024", 1024, 768, true}
	desk   = screen{"1440", 1440, 900, false}
)

// patience is for a busy machine; nothing here is timed.
const patience = 90 * time.Second

// tab is a page in a browser that remembers nothing. It fails the test for every request that leaves the site, and for everything that
// the page complains of.
type tab struct {
	testing.TB
	ctx  context.Context
	site string

	mu       sync.Mutex
	received float64 // bytes, as they came over the line
}

// closeTab closes the last tab.
var closeTab = func() {}

// openTab opens a tab in the place of the last one.
func openTab(t testing.TB, site string, s screen) *tab {
	require.True(t, dashboards.Built(), "the pages were not built: run npm ci --ignore-scripts && npm run build in dashboards")
	_, err := os.Stat(browserPath)
	require.NoError(t, err, "these tests need Debian's package chromium")
	browser, err := theBrowser()
	require.NoError(t, err)
	closeTab() // more than a few open pages would take all connections that a browser makes to one address
	ctx, stop := chromedp.NewContext(browser, chromedp.WithNewWindow(false))
	closeTab = sync.OnceFunc(func() {
		_ = chromedp.Cancel(ctx)
		stop()
	})
	t.Cleanup(closeTab)
	b := &tab{TB: t, ctx: ctx, site: site}
	require.NoError(t, chromedp.Listen(ctx, b.notice))
	call(b, page.BringToFront, cdp.Empty{})
	call(b, network.Enable, network.EnableParams{})
	call(b, network.ClearBrowserCookies, cdp.Empty{})
	call(b, network.ClearBrowserCache, cdp.Empty{})
	call(b, storage.ClearDataForOrigin, storage.ClearDataForOriginParams{Origin: site, StorageTypes: "all"})
	call(b, runtime.Enable, cdp.Empty{})
	b.resize(s)
	return b
}

// theBrowser is the one browser of all tests of the package, which run one after another. Each tab begins without cookies and with an
// empty cache and storage: a browser context or a window for each would cost more than most of the tests do.
var (
	theBrowser   = sync.OnceValues(startBrowser)
	closeBrowser = func() {}
)

func startBrowser() (context.Context, error) {
	folder, err := os.MkdirTemp("", "dewline-browser-")
	if err != nil {
		return nil, err
	}
	allocator, stopAllocator := chromedp.NewExecAllocator(context.Background(),
		chromedp.ExecPath(browserPath), chromedp.UserDataDir(folder), chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.Headless,
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.Flag("hide-scrollbars", true))
	ctx, stop := chromedp.NewContext(allocator)
	closeBrowser = func() {
		_ = chromedp.Cancel(ctx) // closes the browser before its folder goes
		stop()
		stopAllocator()
		_ = os.RemoveAll(folder)
	}
	_, err = chromedp.Call(ctx, network.Enable, network.EnableParams{}) // the first call starts the browser
	return ctx, err
}

func TestMain(m *testing.M) {
	code := m.Run()
	closeBrowser()
	os.Exit(code)
}

// notice hears everything that happens in the tab.
func (b *tab) notice(event any) {
	switch e := event.(type) {
	case *network.EventRequestWillBeSent:
		if a := e.Request.URL; !strings.HasPrefix(a, b.site+"/") && !strings.HasPrefix(a, "data:") && !strings.HasPrefix(a, "blob:"+b.site) {
			b.Errorf("the page asked %s, which is not the site", a)
		}
	case *network.EventDataReceived:
		b.mu.Lock()
		b.received += float64(e.EncodedDataLength)
		b.mu.Unlock()
	case *runtime.EventExceptionThrown:
		b.Errorf("the page threw: %s", e.ExceptionDetails.Text)
	}
}

// bytes returns how much has come over the line.
func (b *tab) bytes() float64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.received
}

func call[P, R any](b *tab, command cdp.Command[P, R], params P) R {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if chromedp.FromContext(b.ctx).Target == nil { // the first call opens the browser, which lives as long as its context
		ctx = b.ctx
	}
	result, err := chromedp.Call(ctx, command, params)
	require.NoError(b, err)
	return result
}

// eval returns what an expression of the page comes to. A promise is waited for.
func eval[T any](b *tab, expression string) T {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	value, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	require.NoError(b, err, expression)
	return value
}

func (b *tab) resize(s screen) {
	b.Helper()
	call(b, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: s.width, Height: s.height, DeviceScaleFactor: 1, Mobile: s.phone})
	call(b, emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: s.phone, MaxTouchPoints: 2})
}

// until waits for an expression of the page to become true.
func (b *tab) until(expression string) {
	b.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(40 * time.Millisecond) {
		if eval[bool](b, "Boolean("+expression+")") {
			return
		}
		if time.Now().After(end) {
			b.shot("gave-up")
			require.Fail(b, "the page never came to this", "%s\n%s", expression, eval[string](b, "document.body.innerText"))
		}
	}
}

// open shows a page and waits until it has drawn what it is for.
func (b *tab) open(path, ready string) {
	b.Helper()
	result := call(b, page.Navigate, page.NavigateParams{URL: b.site + path})
	require.Empty(b, result.ErrorText)
	b.until(`document.readyState === "complete" && (` + ready + `)`)
}

// unfold opens everything that is folded.
func (b *tab) unfold() {
	b.Helper()
	eval[bool](b, `document.querySelectorAll("details").forEach((d) => { d.open = true; }), true`)
}

func (b *tab) text(selector string) string {
	b.Helper()
	return eval[string](b, fmt.Sprintf("document.querySelector(%q)?.textContent ?? ''", selector))
}

// click presses the mouse on the middle of an element, as a person does: what lies over it would be hit instead.
func (b *tab) click(selector string) {
	b.Helper()
	at := eval[[]float64](b, fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center", behavior: "instant"}); const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`, selector))
	b.mouse(input.DispatchMouseEventTypeMousePressed, at[0], at[1])
	b.mouse(input.DispatchMouseEventTypeMouseReleased, at[0], at[1])
}

func (b *tab) mouse(kind input.DispatchMouseEventType, x, y float64) {
	b.Helper()
	params := input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, ClickCount: 1}
	if kind == input.DispatchMouseEventTypeMouseMoved {
		params.Buttons = 1
	}
	call(b, input.DispatchMouseEvent, params)
}

func (b *tab) keys(keys string) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	require.NoError(b, chromedp.Do(ctx, chromedp.KeyEvent(keys)))
}

func (b *tab) look(look string) {
	b.Helper()
	call(b, network.SetCookie, network.SetCookieParams{Name: "dewline-look", Value: look, URL: b.site})
}

// shot puts a picture of the whole page among the artifacts of the test, where they are kept (-artifacts): the browser takes longer to
// draw a picture than for everything else that the tests do with the page.
func (b *tab) shot(name string) {
	b.Helper()
	if kept := flag.Lookup("test.artifacts"); kept == nil || kept.Value.String() != "true" {
		return
	}
	size := call(b, page.GetLayoutMetrics, cdp.Empty{}).CSSContentSize
	beyond := true
	picture := call(b, page.CaptureScreenshot, page.CaptureScreenshotParams{
		Clip: &page.Viewport{Width: size.Width, Height: min(size.Height, 6000), Scale: 1}, CaptureBeyondViewport: &beyond,
	})
	require.NoError(b, os.WriteFile(filepath.Join(b.ArtifactDir(), name+".png"), picture.Data, 0o644))
}
