// Package dashboards carries the built pages. They are made from the TypeScript beside this file by
//
//	npm ci --ignore-scripts && npm run check && npm run build
//
// into the folder built, which is not under version control. A program that was compiled without them has none, and its
// web server falls back to a plain page.
package dashboards

import (
	"embed"
	"io/fs"
)

//go:embed all:built
var embedded embed.FS

// Pages returns the built pages; nil where none were built.
func Pages() fs.FS {
	pages, err := fs.Sub(embedded, "built")
	if err != nil {
		return nil
	}
	if _, err := fs.Stat(pages, "manifest.json"); err != nil {
		return nil
	}
	return pages
}

// Built reports whether the pages were built into this program.
func Built() bool { return Pages() != nil }
