// Package doctext turns the documentation of a package into plain text, so that what is written beside the code is also what a
// keeper is shown.
package doctext

import "strings"

// From returns the documentation in the source of a doc.go, from the heading on; the heading itself is left out.
func From(source, heading string) string {
	_, text, _ := strings.Cut(source, "// # "+heading+"\n")
	text, _, _ = strings.Cut(text, "\npackage ")
	var b strings.Builder
	for line := range strings.Lines(text) {
		line = strings.TrimPrefix(strings.TrimPrefix(line, "//"), " ")
		if heading, ok := strings.CutPrefix(line, "# "); ok {
			line = strings.ToUpper(heading)
		}
		b.WriteString(strings.ReplaceAll(line, "\t", "    "))
	}
	return strings.Trim(b.String(), "\n") + "\n"
}
