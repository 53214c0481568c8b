package report

import (
	_ "embed"
	"html/template"
	"io"
	"strings"

	"dewline/internal/core/watch"
)

//go:embed page.html
var pageSource string

var page = template.Must(template.New("page").Funcs(template.FuncMap{
	"zones": func() []string {
		var names []string
		for _, z := range watch.Zones() {
			names = append(names, z.String())
		}
		return names
	},
	"spaced": func(s string) string { return strings.ReplaceAll(s, "-", " ") },
}).Parse(pageSource))

// HTML writes a sheet as one page that needs nothing else: no script, no other file.
func HTML(w io.Writer, s *Sheet) error {
	var text strings.Builder // whole or not at all
	if err := page.Execute(&text, s); err != nil {
		return err
	}
	_, err := io.WriteString(w, text.String())
	return err
}
