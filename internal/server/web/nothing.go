package web

import (
	_ "embed"
	"html/template"
	"net/http"
	"strings"
)

const (
	iconPath     = "/icon.svg"
	manifestPath = "/manifest.webmanifest"
)

//go:embed icon.svg
var icon []byte

//go:embed nothing.html
var nothingSource string

var nothingPage = template.Must(template.New("nothing").Parse(nothingSource))

// serveNothing answers for an address that there is not: a caller of the API in JSON, a person with a page. An address that only
// takes orders is there.
func (s *site) serveNothing(mux *http.ServeMux, w http.ResponseWriter, r *http.Request) {
	order := r.Clone(r.Context())
	order.Method = http.MethodPost
	if _, pattern := mux.Handler(order); pattern != "" {
		w.Header().Set("Allow", http.MethodPost)
		http.Error(w, http.StatusText(http.StatusMethodNotAllowed), http.StatusMethodNotAllowed)
		return
	}
	if strings.HasPrefix(r.URL.Path, "/api/") {
		fail(w, r, http.StatusNotFound, notFound, "there is no such address: see /api/openapi.json")
		return
	}
	s.render(w, r, http.StatusNotFound, nothingPage, struct {
		frame
		Pages []pageOf
	}{s.frameOf(r), pages})
}

func serveIcon(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "private, max-age=86400")
	answerBytes(w, r, http.StatusOK, mediaTypes[".svg"], icon)
}

// manifest is what a phone asks for to put the pages on its home screen (W3C Web Application Manifest).
type manifest struct {
	Name       string         `json:"name"`
	ShortName  string         `json:"short_name"`
	Start      string         `json:"start_url"`
	Display    string         `json:"display"`
	Background string         `json:"background_color"`
	Theme      string         `json:"theme_color"`
	Icons      []manifestIcon `json:"icons"`
}

type manifestIcon struct {
	Source string `json:"src"`
	Sizes  string `json:"sizes"`
	Type   string `json:"type"`
}

func (s *site) serveManifest(w http.ResponseWriter, r *http.Request) {
	site := s.Current.Get().Site
	answer(w, r, http.StatusOK, manifest{
		Name: "dewline, " + site, ShortName: site, Start: "/", Display: "standalone", Background: "#f2f0e6", Theme: "#f2f0e6",
		Icons: []manifestIcon{{iconPath, "any", mediaTypes[".svg"]}},
	})
}
