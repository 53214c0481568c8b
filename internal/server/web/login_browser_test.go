package web_test

import (
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/stretchr/testify/assert"

	"dewline/internal/core/isa"
)

func (b *tab) logIn(name, password string) {
	b.Helper()
	b.open("/login", `document.querySelector("#name")`)
	b.click("#name")
	b.keys(name)
	b.click("#password")
	b.keys(password + "\r")
}

const (
	formReady   = `document.querySelector("#password")`
	insideReady = `document.querySelector("form[action='/logout']")`
)

// The page for logging in, before, after a failure and while logged in, built and plain, on a phone and on a desk, in both
// looks. It runs no script, so that it is looked at with scripts from outside only.
func TestLogInPageIsSoundOnEveryScreen(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, locked(t, r))
	o := locked(t, r)
	o.Pages = nil
	plain := r.serve(t, o)
	for _, s := range []screen{phone, desk} {
		b := openTab(t, site, s)
		for _, look := range []string{"light", "dark"} {
			b.look(look)
			b.open("/alarms", formReady)
			assert.Equal(t, "/login?next=%2Falarms", eval[string](b, "location.pathname + location.search"))
			b.sound("login-"+s.name+"-"+look, s, everyRule)
			if (look == "light") == s.phone { // the rest once on each screen and once in each look
				b.open("/login", formReady)
				continue
			}
			b.logIn("nobody", "never mind")
			b.until(`document.querySelector(".refusal")?.textContent === "The name or the password is wrong."`)
			b.sound("login-refused-"+s.name+"-"+look, s, everyRule)
			b.logIn("tomas", tomasPassword)
			b.until(`location.pathname === "/"`)
			b.open("/login", insideReady)
			b.sound("logged-in-"+s.name+"-"+look, s, everyRule)
			b.click("form button")
			b.until(formReady)
		}
	}
	b := openTab(t, plain, phone)
	b.open("/", formReady)
	b.sound("login-plain-390", phone, everyRule)
}

// Without scripts the form does its work all the same, from the keyboard alone.
func TestLogInNeedsNoScript(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, locked(t, r)), phone)
	call(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	b.open("/sensors", formReady)
	b.until(`document.activeElement.id === "name"`)
	b.keys("ines\t" + inesPassword + "\r")
	b.until(`location.pathname === "/sensors" && document.body?.innerText.includes("The page loads itself again every ten seconds")`)
}

func TestPagesOfAViewerOfferNothingToDo(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, locked(t, r)), phone)
	b.logIn("tomas", tomasPassword)
	b.until(nowReady)
	assert.Equal(t, "you are tomas, viewer", b.text(".who"))
	b.open("/alarms", alarmsReady)
	b.until(`!document.querySelector(".no-commands").hidden`)
	assert.Equal(t, "You are tomas, a viewer, who may look but not act. Log in as an operator to acknowledge and shelve.", b.text(".no-commands"))
	assert.Zero(t, eval[int](b, `[...document.querySelectorAll(".alarm button, .journal form, #keeper")].filter((e) => e.checkVisibility()).length`))
	assert.Positive(t, eval[int](b, `[...document.querySelectorAll(".alarm a.button")].filter((e) => e.checkVisibility()).length`), "trends can be looked at")
	b.sound("alarms-viewer-390", phone, everyRule)
}

func TestPagesOfAnOperatorActInTheirName(t *testing.T) {
	r := newRig(t)
	r.breathe(t)
	o := locked(t, r)
	b := openTab(t, r.serve(t, o), phone)
	b.open("/alarms", formReady)
	b.click("#name")
	b.keys("ines")
	b.click("#password")
	b.keys(inesPassword + "\r")
	b.until(`location.pathname === "/alarms" && ` + alarmsReady)
	a := r.waiting(t)
	b.until(`document.querySelector(".signed").textContent === "You are Inesis noted beside what you do in the journal"`)
	b.sound("alarms-operator-390", phone, everyRule)
	b.click(".alarm button.first")
	b.until(`document.querySelector(".alarm .result").textContent === "Acknowledged."`)
	assert.Equal(t, string(isa.Acknowledged), string(r.alarm(t, a.Name).Letter))
	assert.Equal(t, "Ines", r.journal[len(r.journal)-1].By)

	// The session ends elsewhere: the page does not stand there as if nothing were, but asks.
	o.Access.SetUsers(nil, true)
	b.until(`location.pathname + location.search === "/login?next=%2Falarms" && ` + formReady)
}
