package web_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/daemon"
	"dewline/internal/server/control"
	"dewline/internal/server/web"
	"dewline/sensors/sensortest/kernelfiletest"
)

// settled is after how long a button that has just come counts.
const settled = 700 * time.Millisecond

const todayReady = `document.querySelectorAll(".task").length > 0`

// The daemon itself, on the recorded tree: two cohorts of the North Loft, their profile and their places. All of it is invented.
const (
	todaySite = `
site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-19:00"}
profiles: [pond.yaml]
places:
  - {id: loft, kind: room}
  - {id: tub-1, kind: enclosure, in: loft, title: first tub}
  - {id: tub-2, kind: enclosure, in: loft, title: second tub}
  - {id: grow-out, kind: enclosure, in: loft, title: grow-out shelf}
cohorts:
  - {id: a-2026, profile: pond, place: tub-1, stages: [{stage: larva, since: 2026-07-01}]}
  - {id: b-2026, profile: pond, place: grow-out, stages: [{stage: juvenile, since: 2026-06-01}]}
sensors:
  - {id: tub-1-probe, driver: w1, address: 28-00000b3c5d1e, every: 10s, feeds: {temperature: tub-1/water-temperature}}
web: {listen: "127.0.0.1:0"}
control: {socket: SOCKET}
history: {path: HISTORY, keep: 2y}
`
	todayProfile = `
profile: pond
title: "A pond frog (invented)"
stages:
  larva:
    gosner: "25–41"
    notes: ["You see: tadpoles that graze.", "Do: feed, and change some water.", "Act within 2 h outside the band."]
    care:
      - {do: feed, every: 2d, note: "a pinch", rotate: [algae, powder], source: "common practice, no published source"}
      - {do: change-water, every: 7d, source: "common practice, no published source"}
    water-temperature: {source: "common practice, no published source", low: 18 °C, high: 24 °C}
  juvenile:
    care:
      - {do: mist, every: 12h, source: "common practice, no published source"}
`
)

// runDaemon starts the daemon and returns the address of its pages.
func runDaemon(t *testing.T) string {
	folder := t.TempDir()
	tree := kernelfiletest.Copy(t, "../../../testdata/sys/north-loft")
	kernelfiletest.NewProbe(t, tree).Show(21.5)
	require.NoError(t, os.WriteFile(filepath.Join(folder, "pond.yaml"), []byte(todayProfile), 0o600))
	site := strings.NewReplacer("SOCKET", filepath.Join(folder, "control.sock"), "HISTORY", filepath.Join(folder, "history.db")).Replace(todaySite)
	config := filepath.Join(folder, "site.yaml")
	require.NoError(t, os.WriteFile(config, []byte(site), 0o600))
	ctx, cancel := context.WithCancel(t.Context())
	ready, ended := make(chan daemon.Addresses, 1), make(chan error, 1)
	go func() {
		ended <- daemon.Run(ctx, daemon.Options{
			Config: config, Sys: tree, Root: folder, Version: "test", Log: slog.New(slog.NewTextHandler(t.Output(), nil)),
			Clock: daemon.FastClock(time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC), 1), Ready: func(a daemon.Addresses) { ready <- a },
		})
	}()
	select {
	case a := <-ready:
		t.Cleanup(func() {
			cancel()
			assert.NoError(t, <-ended)
		})
		// What is done has been written down for long: what is not on record was not done.
		response, err := http.Post("http://"+a.Web+"/api/command", "application/json", strings.NewReader(`{"verb":"done","task":"look","place":"grow-out","at":"2026-06-01T12:00:00Z"}`))
		require.NoError(t, err)
		require.NoError(t, response.Body.Close())
		require.Equal(t, http.StatusOK, response.StatusCode)
		return "http://" + a.Web
	case err := <-ended:
		cancel()
		require.NoError(t, err, "the daemon did not start")
		return ""
	}
}

// newest returns the newest entry of a kind in the journal of a site.
func newest(t *testing.T, site string, kind journal.Kind) *journal.Entry {
	t.Helper()
	entries := get[web.JournalPage](t, site+"/api/journal?kinds=people").Entries
	i := slices.IndexFunc(entries, func(e *journal.Entry) bool { return e.Kind == kind })
	require.GreaterOrEqual(t, i, 0, "no entry %s: %v", kind, entries)
	return entries[i]
}

// choose sets a field of a form, which it finds by the words of its label.
func (b *tab) choose(label, value string) {
	b.Helper()
	found := eval[bool](b, fmt.Sprintf(`(() => { const l = [...document.querySelectorAll("dialog label")].find((l) => l.textContent === %q); if (!l) return false; const f = document.getElementById(l.htmlFor); f.value = %q; f.dispatchEvent(new Event("change", {bubbles: true})); return f.value === %q; })()`, label, value, value))
	require.True(b, found, "%s takes no %s", label, value)
}

// named is the selector of a button by its accessible name; it marks the button.
func (b *tab) named(name string) string {
	b.Helper()
	b.until(fmt.Sprintf(`[...document.querySelectorAll("button")].some((e) => (e.getAttribute("aria-label") ?? e.textContent) === %q && e.checkVisibility() && !e.disabled)`, name))
	eval[bool](b, fmt.Sprintf(`document.querySelectorAll("[data-pressed]").forEach((e) => e.removeAttribute("data-pressed")), [...document.querySelectorAll("button")].find((e) => (e.getAttribute("aria-label") ?? e.textContent) === %q && e.checkVisibility()).setAttribute("data-pressed", ""), true`, name))
	return "[data-pressed]"
}

func TestDoneIsOnRecordWithOneTap(t *testing.T) {
	site := runDaemon(t)
	b := openTab(t, site, phone)
	b.open("/today", todayReady)
	feed := `[...document.querySelectorAll(".task")].find((e) => e.textContent.includes("Feed, this time"))`
	// In their list: what is above it lives, and a reading that comes late on a busy machine is a line more there.
	tops := `[...document.querySelectorAll(".task")].map((e) => Math.round(e.getBoundingClientRect().top - document.querySelector(".task").parentElement.getBoundingClientRect().top))`
	assert.Contains(t, eval[string](b, feed+".textContent"), "Feed, this time algae first tub (a-2026)overdue since 1 Jul 00:00 · never on record")
	b.until(`document.querySelector(".verdict").textContent.startsWith("Nothing out of band")`) // the probe has been read
	time.Sleep(settled)
	before := eval[[]float64](b, tops)
	b.click(b.named("Done: feed, first tub (a-2026)"))
	b.until(feed + `.querySelector(".result").textContent === "Feed of a-2026 is on record as done."`)
	assert.InDeltaSlice(t, before, eval[[]float64](b, tops), 2, "nothing has moved under the finger")
	assert.True(t, eval[bool](b, `document.activeElement === `+feed+`.querySelector(".result")`), "the focus is on the answer")
	entry := newest(t, site, journal.CareDone)
	assert.Equal(t, []string{"feed", "a-2026", "the pages"}, []string{entry.Task, entry.Cohort, entry.By})
	b.until(`document.querySelector(".verdict").textContent.includes("2 overdue")`)
	assert.True(t, eval[bool](b, feed+` !== undefined`), "it keeps its place")
	b.shot("done-390")

	// The way back.
	time.Sleep(settled)
	b.click(b.named("Undo: feed of a-2026"))
	b.until(feed + `.querySelector(".result").textContent.startsWith("It is withdrawn, and does not count any more. a-2026 is larva")`)
	note := newest(t, site, journal.Note)
	assert.Equal(t, entry.ID(), note.Corrects)
	assert.Equal(t, "taken back: feed of a-2026", note.Text)
	b.until(`document.querySelector(".verdict").textContent.includes("3 overdue")`)

	// A double tap takes nothing back.
	said := eval[string](b, `(async () => { const row = `+feed+`, undo = row.querySelector(".undo"); row.querySelector("button").click();
		while (undo.hidden) await new Promise(requestAnimationFrame);
		undo.click(); await new Promise((done) => setTimeout(done, 100)); return row.querySelector(".result").textContent; })()`)
	assert.Equal(t, "Feed of a-2026 is on record as done.", said)
	time.Sleep(settled)
	b.click(b.named("Undo: feed of a-2026"))
	b.until(`document.querySelector(".verdict").textContent.includes("3 overdue")`)

	// What was left over is part of what is on record.
	b.click(b.named("Leftovers…: feed, first tub (a-2026)"))
	b.until(feed + `.querySelector(".choice").checkVisibility()`)
	b.click(b.named("Half"))
	b.until(feed + `.querySelector(".result").textContent === "Feed of a-2026 is on record as done."`)
	assert.Equal(t, "left over from the last time: half", newest(t, site, journal.CareDone).Text)

	// A misting is one, from which drying is followed.
	b.click(b.named("Misted now: grow-out shelf"))
	b.until(`[...document.querySelectorAll(".home .result")].some((e) => e.textContent === "A misting of grow-out shelf is on record.")`)
	assert.Equal(t, "grow-out", newest(t, site, journal.Misting).Place)
}

func TestMoveWithADateOfItsOwn(t *testing.T) {
	site := runDaemon(t)
	b := openTab(t, site, phone)
	b.open("/today", todayReady)
	b.click(b.named("Move or stage…: first tub"))
	b.until(`document.querySelector("dialog[open]") && document.activeElement.tagName === "SELECT"`)
	answer := `document.querySelector("dialog .result")`

	// What the daemon refuses is said with its reason, and the form stays as it was.
	b.choose("Lives in", "tub-2")
	b.choose("Date", "2026-06-20")
	b.click(b.named("Save"))
	b.until(answer + `.textContent.startsWith("Not written down: a-2026 began on 1 Jul 2026, and nothing can be true of it before")`)
	assert.Equal(t, "false", eval[string](b, answer+`.dataset.done`))
	assert.Equal(t, "tub-2", eval[string](b, `document.querySelectorAll("dialog select")[1].value`))
	b.shot("refused-390")

	b.choose("Date", "2026-07-10")
	b.choose("Time", "08:30")
	b.choose("Stage", "metamorph")
	b.choose("Gosner stage, where you have looked", "42")
	b.click(b.named("Save"))
	b.until(answer + `.textContent.includes("2. a-2026 is metamorph (Gosner 42) since 10 Jul 2026 08:30, in second tub since 10 Jul 2026 08:30.")`)
	moved := newest(t, site, journal.CohortMoved)
	assert.Equal(t, "tub-2", moved.Place)
	assert.Equal(t, "2026-07-10T07:30:00Z", moved.Since.Time().UTC().Format(time.RFC3339))
	b.until(`[...document.querySelectorAll(".home")].some((e) => e.textContent.includes("second tub"))`)
	b.shot("moved-390")

	time.Sleep(settled)
	b.click(b.named("Undo: move of a-2026 to tub-2, a-2026 is metamorph"))
	b.until(answer + `.textContent.includes("a-2026 is larva since 1 Jul 2026, in first tub since 1 Jul 2026.")`)
	assert.Equal(t, moved.ID(), newest(t, site, journal.Note).Corrects)
	b.until(`[...document.querySelectorAll(".home")].some((e) => e.textContent.includes("first tub"))`)
	b.keys("\x1b")
	b.until(`!document.querySelector("dialog[open]")`)
	assert.Equal(t, "Move or stage…: first tub", eval[string](b, `document.activeElement.getAttribute("aria-label")`), "the focus is where it was")

	// A count.
	b.click(b.named("Count…: first tub"))
	b.until(`document.querySelector("dialog[open]")`)
	b.choose("How many live", "34")
	b.click(b.named("Save the count"))
	b.until(answer + `.textContent.includes("34 animals since")`)
	assert.Equal(t, 34, *newest(t, site, journal.CohortCounted).Count)
}

// Every page has the button that opens what can be written down. What it opens is loaded only then.
func TestEveryPageTakesEntries(t *testing.T) {
	site := runDaemon(t)
	b := openTab(t, site, phone)
	scripts := `performance.getEntriesByType("resource").filter((e) => e.name.endsWith(".js")).length`
	b.open("/trend?p=tub-1/water-temperature&span=1d", `document.querySelector(".plus:not([hidden])")`)
	before := eval[int](b, scripts)
	b.click(".plus")
	b.until(`document.querySelector("dialog[open]")`)
	assert.Greater(t, eval[int](b, scripts), before)
	assert.Equal(t, []string{"Misted", "Changed water", "Fed", "Note", "Move or stage"}, eval[[]string](b, `[...document.querySelectorAll(".choices-list button")].map((e) => e.textContent)`))
	b.click(b.named("Changed water"))
	b.until(`document.querySelector("dialog select")`)
	assert.Equal(t, "tub-1", eval[string](b, `document.querySelector("dialog select").value`), "the place of the page")
	b.click(`dialog form button[type="submit"]`)
	b.until(`document.querySelector("dialog .result").textContent === "Change water of first tub is on record as done."`)
	assert.Equal(t, "change-water", newest(t, site, journal.CareDone).Task)
	b.click(b.named("Write down more"))
	b.click(b.named("Note"))
	b.until(`document.querySelector("dialog textarea")`)
	b.choose("Note", "one has a bent tail (invented)")
	b.click(b.named("Write the note"))
	b.until(`document.querySelector("dialog .result").textContent === "The note is on record."`)
	assert.Equal(t, "tub-1", newest(t, site, journal.Note).Place)
	for _, path := range []string{"/", "/alarms", "/sensors", "/today"} {
		b.open(path, `document.querySelector(".plus:not([hidden])")`)
		b.click(".plus")
		b.until(`document.querySelector("dialog[open] .choices-list")`)
	}
}

// Who may only look sees the day, and nothing to press.
func TestViewerSeesTheDayOnly(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, locked(t, r)), phone)
	b.logIn("tomas", tomasPassword)
	b.until(`document.querySelector(".who")`)
	b.open("/today", todayReady)
	assert.Equal(t, 0, eval[int](b, `[...document.querySelectorAll("main button, .plus")].filter((e) => e.checkVisibility()).length`))
	assert.Contains(t, b.text("#due + p + ul, #due ~ ul"), "Change water")
}

// The forms on narrow and wide screens, in both themes, and with letters of twice the size.
func TestFormsAreSoundOnEveryScreen(t *testing.T) {
	site := runDaemon(t)
	for _, s := range []screen{{"320", 320, 640, true}, phone, desk} {
		b := openTab(t, site, s)
		for _, look := range []string{"light", "dark"} {
			b.look(look)
			b.open("/today", todayReady)
			b.click(".plus")
			for _, kind := range []string{"", "Fed", "Move or stage"} {
				if kind != "" {
					b.click(b.named(kind))
					b.until(`document.querySelector("dialog form")`)
				}
				b.unfold()
				b.sound(fmt.Sprintf("form-%s-%s-%s", kind, s.name, look), s, rulesOf[look])
				assert.LessOrEqual(t, eval[int](b, `document.querySelector("dialog").scrollWidth - document.querySelector("dialog").clientWidth`), 0)
				if kind != "" {
					b.click(b.named("Close"))
					b.click(".plus")
				}
			}
			if look == "light" {
				eval[bool](b, `document.documentElement.style.fontSize = "200%", true`)
				b.click(b.named("Move or stage"))
				b.until(`document.querySelector("dialog form")`)
				assert.LessOrEqual(t, eval[int](b, `document.querySelector("dialog").scrollWidth - document.querySelector("dialog").clientWidth`), 0, "%s, twice the size", s.name)
				assert.LessOrEqual(t, eval[int](b, "document.documentElement.scrollWidth"), int(s.width), "%s, twice the size", s.name)
				b.shot("form-twice-" + s.name)
			}
		}
	}
}

// Without scripts the day is there in words.
func TestNoScriptShowsTheDay(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	require.Empty(t, call(b, page.Navigate, page.NavigateParams{URL: b.site + "/today"}).ErrorText)
	b.until(`document.body?.innerText.includes("The page loads itself again every sixty seconds")`)
	text := eval[string](b, "document.body.innerText")
	for _, part := range []string{"Out of band", "Last night, Mon 13 Jul, 19:00 to 07:00", "Overdue", "never on record", "Stages to come", "a-2026, larva since"} {
		assert.Contains(t, text, part)
	}
	b.shot("today-noscript-390")
}

// What the profile says about the stage is beside the animals, with its sources.
func TestPlaceSaysWhatItsStageNeeds(t *testing.T) {
	b := openTab(t, runDaemon(t), phone)
	b.open("/", `document.querySelectorAll(".place").length > 1`)
	b.unfold()
	b.until(`document.querySelector(".care li")`)
	text := b.text(".care")
	for _, part := range []string{
		"a-2026, larva", "A pond frog (invented)", "You see: tadpoles that graze.", "Act within 2 h outside the band.",
		"feed every 2 d, in turn algae / powder: a pinch [common practice, no published source]", "water temperature: common practice, no published source",
	} {
		assert.Contains(t, text, part)
	}
	b.shot("care-390")
}

// While nothing answers a tap says so, and the task stays to be done.
func TestDoneSaysWhatWentWrong(t *testing.T) {
	r := newRig(t)
	r.breathe(t)
	o := r.options(t)
	o.Command = func(context.Context, watch.Command) (control.Response, error) {
		return control.Response{}, errors.New("the journal cannot be written: the card is full")
	}
	b := openTab(t, r.serve(t, o), phone)
	b.open("/today", todayReady)
	b.click(".task .press button")
	b.until(`document.querySelector(".task .result").textContent === "Not written down: the journal cannot be written: the card is full."`)
	assert.Equal(t, "false", eval[string](b, `document.querySelector(".task .result").dataset.done`))
	assert.True(t, eval[bool](b, `document.querySelector(".task .press button").checkVisibility() && !document.querySelector(".task .press button").disabled`), "it can be tried again")
	assert.False(t, eval[bool](b, `document.querySelector(".task .undo").checkVisibility()`))
	b.shot("failed-390")
}
