// Package licences holds the licences of the modules that are linked into the program, and that of Go itself, as they ask to be passed on.
package licences

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"fmt"
	"io"
)

// packed is made by `go test ./internal/licences -rewrite` from the modules that the build uses.
//
//go:embed licences.txt.gz
var packed []byte

// Write writes the text: for each module its path, its version and its licence.
func Write(w io.Writer) error {
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return fmt.Errorf("reading the licences: %w", err)
	}
	if _, err := io.Copy(w, r); err != nil {
		return fmt.Errorf("reading the licences: %w", err)
	}
	return nil
}
