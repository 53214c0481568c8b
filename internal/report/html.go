package report

import (
	_ "embed"
	"html/template"
	"io"
	"strings"
	"unicode/utf8"
)

//go:embed page.html
var pageSource string

var page = template.Must(template.New("page").Funcs(template.FuncMap{"long": long}).Parse(pageSource))

// HTML writes a sheet as one page that needs nothing else: no script, no other file.
func HTML(w io.Writer, s *Sheet) error {
	var text strings.Builder // whole or not at all
	if err := page.Execute(&text, s); err != nil {
		return err
	}
	_, err := io.WriteString(w, text.String())
	return err
}

// long reports whether a cell may break into lines.
func long(cell string) bool { return utf8.RuneCountInString(cell) > 40 }
