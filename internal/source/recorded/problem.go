package recorded

import (
	"fmt"
	"strings"
)

// Problem is one place in a file that could not be understood.
type Problem struct {
	Line    int // from 1
	Column  int // in bytes, from 1; 0 where the whole line is meant
	Message string
}

// Error is what is wrong with a file.
type Error struct {
	Name     string // of the file
	Problems []Problem
	// Stopped reports that reading ended before the end of the file, so that there may be more problems.
	Stopped bool
}

// Error lists the problems as file:line:column: message, one on each line.
func (e *Error) Error() string {
	var text strings.Builder
	for i, p := range e.Problems {
		if i > 0 {
			text.WriteByte('\n')
		}
		if p.Column == 0 {
			fmt.Fprintf(&text, "%s:%d: %s", e.Name, p.Line, p.Message)
		} else {
			fmt.Fprintf(&text, "%s:%d:%d: %s", e.Name, p.Line, p.Column, p.Message)
		}
	}
	if e.Stopped {
		fmt.Fprintf(&text, "\n%s: reading stopped here, there may be more", e.Name)
	}
	return text.String()
}
