package config

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// Severity is [Error], which keeps a configuration from being used, or [Warning], which does not.
type Severity uint8

// The severities.
const (
	Error Severity = iota
	Warning
)

// Problem is one thing that is wrong in a file. Line and Column count from 1 in runes; both are 0 where the problem is
// the file as a whole (it cannot be read), or where the model was built in code and comes from no file.
type Problem struct {
	Severity Severity
	File     string
	Line     int
	Column   int
	Path     string // what it is about inside the file, such as "sensors[0].address"
	Message  string
}

// String writes the problem as "file:line:column: message", a warning as "file:line:column: warning: message".
func (p Problem) String() string {
	var where string
	switch {
	case p.Line > 0:
		where = fmt.Sprintf("%s:%d:%d: ", p.File, p.Line, p.Column)
	case p.File != "":
		where = p.File + ": "
	case p.Path != "":
		where = p.Path + ": "
	}
	if p.Severity == Warning {
		where += "warning: "
	}
	return where + p.Message
}

// Problems are all problems of a configuration, sorted by position.
type Problems []Problem

// Err returns an error that lists every problem of severity [Error], one a line, and nil where there are only warnings.
func (p Problems) Err() error {
	found := p.Only(Error)
	if len(found) == 0 {
		return nil
	}
	return errors.New(found.String())
}

// Only returns the problems of one severity.
func (p Problems) Only(severity Severity) Problems {
	var only Problems
	for _, problem := range p {
		if problem.Severity == severity {
			only = append(only, problem)
		}
	}
	return only
}

// String writes one problem a line, without a final newline.
func (p Problems) String() string {
	return strings.Join(each(p, Problem.String), "\n")
}

// Sorted returns the problems by position, those of the file called first before all others, and each only once: a
// mistake under an anchor would otherwise be reported again for every alias.
func (p Problems) Sorted(first string) Problems {
	slices.SortStableFunc(p, func(a, b Problem) int {
		if a.File != b.File && (a.File == first || b.File == first) {
			if a.File == first {
				return -1
			}
			return 1
		}
		byPath := 0
		if a.Line == 0 && b.Line == 0 { // they come from no file
			byPath = cmp.Compare(a.Path, b.Path)
		}
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column), byPath,
			cmp.Compare(a.Severity, b.Severity), cmp.Compare(a.Message, b.Message))
	})
	return slices.CompactFunc(p, func(a, b Problem) bool {
		return a.File == b.File && a.Line == b.Line && a.Column == b.Column && a.Message == b.Message &&
			(a.Line > 0 || a.Path == b.Path)
	})
}

// position is a place in a file, counted from 1 in lines and runes.
type position struct {
	file         string
	line, column int
}

// origins remembers where each value of the model was written: its path inside the model → its position.
type origins map[string]position

// at returns the position of the value at path, or that of the nearest value around it.
func (o origins) at(path string) position {
	for {
		if found, ok := o[path]; ok {
			return found
		}
		if path == "" {
			return position{}
		}
		path = path[:max(strings.LastIndexAny(path, ".["), 0)]
	}
}

// first returns the first of the paths whose value was written in a file, and the last one when none was.
func (o origins) first(paths ...string) string {
	for _, path := range paths {
		if _, ok := o[path]; ok {
			return path
		}
	}
	return paths[len(paths)-1]
}

// reporter collects problems about values of the model.
type reporter struct {
	origins  origins
	problems Problems
}

func (r *reporter) errorf(path, format string, args ...any) {
	r.add(Error, path, format, args...)
}

func (r *reporter) warnf(path, format string, args ...any) {
	r.add(Warning, path, format, args...)
}

func (r *reporter) add(severity Severity, path, format string, args ...any) {
	at := r.origins.at(path)
	r.problems = append(r.problems, Problem{
		Severity: severity, File: at.file, Line: at.line, Column: at.column, Path: path,
		Message: oneLine(fmt.Sprintf(format, args...)),
	})
}

// syntax reports what is wrong with a file before any meaning.
func (r *reporter) syntax(bad []*syntaxError) {
	for _, e := range bad {
		r.problems = append(r.problems, Problem{
			File: e.at.file, Line: e.at.line, Column: e.at.column, Message: oneLine(e.message),
		})
	}
}

// oneLine makes a message, which may hold text from the file, one line of bounded length without control characters: it
// goes to terminals and logs.
func oneLine(message string) string {
	const maxRunes = 600
	clean := strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, message)
	if runes := []rune(clean); len(runes) > maxRunes {
		return string(runes[:maxRunes]) + "…"
	}
	return clean
}
