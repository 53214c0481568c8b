package web_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// The sensors are a table with what is rarely asked for behind each line; two points are compared in words of the server.
func TestSensorsAreATable(t *testing.T) {
	r := newRig(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	b.open("/sensors", sensorsReady)
	assert.True(t, eval[bool](b, `document.documentElement.scrollWidth <= innerWidth`), "no sideways scrolling")
	assert.Equal(t, []string{"sensor", "now", "health", "calibrated", "correction", "last checked", "due", "more"},
		eval[[]string](b, `[...document.querySelectorAll(".measure thead th")].map((th) => th.textContent)`))
	b.click(".measure details summary")
	b.until(`document.querySelector(".measure details").open && document.querySelector(".measure details").textContent.includes("last good read")`)
	b.until(`document.querySelectorAll("#compare-a option").length > 1`)
	b.click(".comparing button")
	b.until(`/(more|less)\.|no reading now/.test(document.querySelector(".compared").textContent)`)
	assert.True(t, eval[bool](b, `document.documentElement.scrollWidth <= innerWidth`), "nor with all of it open")
}
