package main

import (
	"os"

	"golang.org/x/term"
)

// isTerminal reports whether a file is a terminal, where people look on.
func isTerminal(f *os.File) bool { return term.IsTerminal(int(f.Fd())) }
