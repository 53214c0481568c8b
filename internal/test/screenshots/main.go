// Command screenshots writes the pictures of the README: it starts the demo, waits until its one trouble is well under way, and
// photographs the pages in Debian's Chromium.
//
//	go run ./internal/test/screenshots --program ./dewline                      # those of the README
//	go run ./internal/test/screenshots --program ./dewline --every --to pictures  # every page, at all sizes, light and dark
//	go run ./internal/test/screenshots --at http://127.0.0.1:8420 --every --to pictures
package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// chromium is Debian's, as in the tests of the pages.
const chromium = "/usr/bin/chromium"

// opensAt is how far into the demo the pictures are taken: the room is out of its band and what lives in it as well.
const opensAt = 50 * time.Minute

// demoPace is how much faster than life the demo goes.
const demoPace = 60

// options are what was asked for.
type options struct {
	program, at, to string
	every           bool
	only            string
}

func main() {
	var o options
	flag.StringVar(&o.program, "program", "./dewline", "The program, whose demo is started.")
	flag.StringVar(&o.at, "at", "", "The address of a demo that runs already.")
	flag.StringVar(&o.to, "to", "dashboards/screenshots", "The folder for the pictures.")
	flag.BoolVar(&o.every, "every", false, "Every page at every size, light and dark, instead of those of the README.")
	flag.StringVar(&o.only, "only", "", "Only pictures whose name contains this.")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := o.run(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "screenshots:", err)
		os.Exit(1)
	}
}

func (o *options) run(ctx context.Context) error {
	if o.at == "" {
		demo, err := startDemo(ctx, o.program)
		if err != nil {
			return err
		}
		defer demo.stop()
		if o.at = demo.address; o.at == "" {
			return fmt.Errorf("%s demo has printed no address of its pages", o.program)
		}
		if err := waitFor(ctx, o.at, opensAt); err != nil {
			return err
		}
	}
	if err := os.MkdirAll(o.to, 0o755); err != nil {
		return err
	}
	allocator, closeBrowser := chromedp.NewExecAllocator(ctx, chromedp.ExecPath(chromium), chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck,
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-background-networking", true), chromedp.Flag("hide-scrollbars", true))
	defer closeBrowser()
	tab, closeTab := chromedp.NewContext(allocator)
	defer closeTab()
	if _, err := chromedp.Call(tab, network.Enable, network.EnableParams{}); err != nil { // opens the browser, which lives as long as this context
		return err
	}
	chosen := readme
	if o.every {
		chosen = everything()
	}
	for _, p := range chosen {
		if !strings.Contains(p.file(), o.only) {
			continue
		}
		if err := o.take(tab, p); err != nil {
			return fmt.Errorf("%s: %w", p.file(), err)
		}
		fmt.Println(filepath.Join(o.to, p.file()))
	}
	return nil
}

// take photographs one page.
func (o *options) take(unhurried context.Context, p picture) error {
	tab, cancel := context.WithTimeout(unhurried, 20*time.Second)
	defer cancel()
	if _, err := chromedp.Call(tab, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
		Width: p.width, Height: p.height(), DeviceScaleFactor: 1, Mobile: p.width < 1000,
	}); err != nil {
		return err
	}
	if _, err := chromedp.Call(tab, network.SetCookie, network.SetCookieParams{Name: "dewline-look", Value: p.look, URL: o.at}); err != nil {
		return err
	}
	if _, err := chromedp.Call(tab, page.Navigate, page.NavigateParams{URL: o.at + p.path}); err != nil {
		return err
	}
	for {
		ready, err := chromedp.Run(tab, chromedp.Evaluate[bool](`document.readyState === "complete" && Boolean(`+p.ready+`)`))
		if err != nil {
			return err
		}
		if ready {
			break
		}
		select {
		case <-tab.Done():
			shows, _ := chromedp.Run(unhurried, chromedp.Evaluate[string](`location.href + ": " + document.body.innerText.slice(0, 400)`))
			return fmt.Errorf("the page never came to %s; it shows %s", p.ready, shows)
		case <-time.After(50 * time.Millisecond):
		}
	}
	if _, err := chromedp.Run(tab, chromedp.Evaluate[bool](`document.fonts.ready.then(() => true)`, chromedp.EvalAwaitPromise)); err != nil {
		return err
	}
	size, err := chromedp.Call(tab, page.GetLayoutMetrics, cdp.Empty{})
	if err != nil {
		return err
	}
	beyond, height := true, min(size.CSSContentSize.Height, p.tallest())
	shot, err := chromedp.Call(tab, page.CaptureScreenshot, page.CaptureScreenshotParams{
		Clip: &page.Viewport{Width: float64(p.width), Height: height, Scale: 1}, CaptureBeyondViewport: &beyond,
	})
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(o.to, p.file()), shot.Data, 0o644)
}

// demo is the running program.
type demo struct {
	address string
	stop    func()
}

// startDemo starts the program and reads the address of its pages from what it prints.
func startDemo(ctx context.Context, program string) (*demo, error) {
	ctx, cancel := context.WithCancel(ctx)
	command := exec.CommandContext(ctx, program, "demo", "--speed", fmt.Sprint(demoPace), "--listen", "127.0.0.1:0", "--broker-listen", "127.0.0.1:0")
	command.Cancel = func() error { return command.Process.Signal(os.Interrupt) }
	command.WaitDelay = 10 * time.Second
	out, err := command.StdoutPipe()
	if err != nil {
		cancel()
		return nil, err
	}
	if err := command.Start(); err != nil {
		cancel()
		return nil, fmt.Errorf("the demo: %w", err)
	}
	d := &demo{stop: func() { cancel(); _ = command.Wait() }} // it ends because it is asked to
	lines := bufio.NewScanner(out)
	for d.address == "" && lines.Scan() {
		if words := strings.Fields(lines.Text()); len(words) == 2 && words[0] == "pages" {
			d.address = strings.TrimSuffix(words[1], "/")
		}
	}
	go func() {
		for lines.Scan() { // what it says later is not needed, and must not block it
		}
	}()
	return d, nil
}

// waitFor waits until the demo has gone on for some of its own time.
func waitFor(ctx context.Context, address string, passed time.Duration) error {
	for {
		var now struct{ At, Started time.Time }
		if err := get(ctx, address+"/api/now", &now); err != nil {
			return err
		}
		if now.At.Sub(now.Started) >= passed {
			return nil
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(time.Second):
		}
	}
}

func get(ctx context.Context, address string, into any) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return err
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return err
	}
	defer response.Body.Close()
	if response.StatusCode != http.StatusOK {
		return errors.New(address + " answers " + response.Status)
	}
	return json.NewDecoder(response.Body).Decode(into)
}
