package web_test

import (
	"os"
	"sync"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// axe is the accessibility checker that npm has put into its folder (axe-core, for WCAG 2.2 AA and its best practices).
var axe = sync.OnceValues(func() ([]byte, error) { return os.ReadFile("../../../dashboards/node_modules/axe-core/axe.min.js") })

// What the checker is asked: all of its rules, or the two that depend on the colours.
const (
	everyRule   = `["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]`
	colourRules = `{type: "rule", values: ["color-contrast", "link-in-text-block"]}`
)

// rulesOf is what is asked in each look where both have the same words, which the light one answers for.
var rulesOf = map[string]string{"light": everyRule, "dark": colourRules}

// checked holds that the checker finds nothing on the page by some of its rules.
func (b *tab) checked(name, rules string) {
	b.Helper()
	script, err := axe()
	require.NoError(b, err, "run npm ci --ignore-scripts in dashboards")
	if eval[bool](b, "typeof axe === 'undefined'") {
		eval[bool](b, string(script)+";true")
	}
	found := eval[string](b, `axe.run(document, {runOnly: `+rules+`}).then((r) => JSON.stringify(r.violations.map((v) => ({rule: v.id, help: v.help, at: v.nodes.slice(0, 4).map((n) => n.html.slice(0, 160) + " " + n.failureSummary)})), null, 1))`)
	assert.Equal(b, "[]", found, name)
	assert.Greater(b, eval[int](b, `axe.getRules().length`), 80)
}

// fits shoots a page and holds it against the width of its screen.
func (b *tab) fits(name string, s screen) {
	b.Helper()
	b.shot(name)
	assert.LessOrEqual(b, eval[int](b, "document.documentElement.scrollWidth"), int(s.width), "%s is wider than its screen", name)
}

// sound holds a page against its screen and the checker.
func (b *tab) sound(name string, s screen, rules string) {
	b.Helper()
	b.fits(name, s)
	b.checked(name, rules)
}
