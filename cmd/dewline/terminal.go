package main

import (
	"io"
	"os"

	"golang.org/x/term"
)

// isTerminal reports whether a file is a terminal, where people look on.
func isTerminal(f *os.File) bool { return term.IsTerminal(int(f.Fd())) }

// discardUnless returns w where wanted, else a writer that writes nothing.
func discardUnless(wanted bool, w io.Writer) io.Writer {
	if wanted {
		return w
	}
	return io.Discard
}
