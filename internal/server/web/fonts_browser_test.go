package web_test

import (
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/css"
	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Letters are drawn in a face that the styles name, and not in whatever a system takes for a generic word. Debian's is DejaVu.
func TestFacesAreThoseOfTheStyles(t *testing.T) {
	r := newRig(t)
	r.breathe(t)
	b := openTab(t, r.serve(t, r.options(t)), phone)
	call(b, dom.Enable, dom.EnableParams{})
	call(b, css.Enable, cdp.Empty{})
	for _, p := range []struct{ path, ready, element, list string }{
		{"/", nowReady, ".verdict", "--serif"}, {"/", nowReady, ".pulse span", "--sans"}, {"/wall", wallReady, ".tile h3", "--serif"}, {"/wall", wallReady, ".tile b", "--sans"},
	} {
		b.open(p.path, p.ready)
		used, err := b.fonts(p.element)
		for range 20 { // a page that lives may have put another element in its place meanwhile
			if err == nil {
				break
			}
			used, err = b.fonts(p.element)
		}
		require.NoError(t, err, "%s %s", p.path, p.element)
		named := eval[string](b, `getComputedStyle(document.documentElement).getPropertyValue("`+p.list+`")`)
		if assert.NotEmpty(t, used.Fonts, "%s %s", p.path, p.element) {
			family := used.Fonts[0].FamilyName
			assert.Contains(t, strings.Split(strings.NewReplacer(`"`, "", ", ", ",").Replace(named), ","), family, "%s %s", p.path, p.element)
		}
	}
}

// fonts returns the fonts with which an element is drawn.
func (b *tab) fonts(selector string) (css.GetPlatformFontsForNodeResult, error) {
	document := call(b, dom.GetDocument, dom.GetDocumentParams{})
	node := call(b, dom.QuerySelector, dom.QuerySelectorParams{NodeID: document.Root.NodeID, Selector: selector})
	return chromedp.Call(b.ctx, css.GetPlatformFontsForNode, css.GetPlatformFontsForNodeParams{NodeID: node.NodeID})
}
