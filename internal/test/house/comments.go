// Package house checks the source of the whole tree against the rules of DEVELOPERS.md that no linter knows: plain words in
// comments, one name for one thing, comments that name what they document. Its tests are the checks; the functions here read
// comments and count words. They judge no meaning: a comment of plain words can still be wrong.
package house

import (
	"go/scanner"
	"go/token"
	"path"
	"regexp"
	"strings"
)

// Comment is one comment of a source file, without its marks.
type Comment struct {
	Line int // of its beginning, from 1
	Text string
}

// Comments returns the comments of a Go or TypeScript source. name decides the language by its end: .go, else TypeScript.
func Comments(name string, source []byte) []Comment {
	if path.Ext(name) == ".go" {
		return goComments(source)
	}
	return scriptComments(string(source))
}

func goComments(source []byte) (all []Comment) {
	file := token.NewFileSet().AddFile("", -1, len(source))
	var s scanner.Scanner
	s.Init(file, source, nil, scanner.ScanComments)
	for {
		pos, tok, text := s.Scan()
		switch tok {
		case token.EOF:
			return all
		case token.COMMENT:
			all = append(all, Comment{file.Line(pos), trimMarks(text)})
		}
	}
}

func trimMarks(text string) string {
	if rest, ok := strings.CutPrefix(text, "//"); ok {
		return rest
	}
	return strings.TrimSuffix(strings.TrimPrefix(text, "/*"), "*/")
}

// scriptComments skips strings, templates and regular expressions. Where a slash may divide or begin a regular expression, the
// character before it decides: nothing can be divided after an operator or an opening bracket.
func scriptComments(source string) (all []Comment) {
	line := 1
	var before byte       // the last character that is no space
	var templates []int   // for each open ${ of a template: the braces that are open inside of it
	skip := func(n int) { // consumes n bytes
		line += strings.Count(source[:n], "\n")
		source = source[n:]
	}
	for source != "" {
		c := source[0]
		switch {
		case strings.HasPrefix(source, "//"), strings.HasPrefix(source, "/*"):
			n := commentLength(source)
			all = append(all, Comment{line, trimMarks(source[:n])})
			skip(n)
			continue
		case c == '"' || c == '\'':
			skip(quotedLength(source, c, false))
		case c == '/' && strings.IndexByte("\x00(,=:[!&|?{};+-*%<>~^", before) >= 0:
			skip(quotedLength(source, '/', true))
		case c == '`', c == '}' && len(templates) > 0 && templates[len(templates)-1] == 0:
			if c == '}' {
				templates = templates[:len(templates)-1]
			}
			n, open := templateLength(source)
			if open {
				templates = append(templates, 0)
				c = '{'
			}
			skip(n)
		default:
			if n := len(templates); n > 0 && c == '{' {
				templates[n-1]++
			} else if n > 0 && c == '}' {
				templates[n-1]--
			}
			skip(1)
		}
		if c != ' ' && c != '\t' && c != '\n' && c != '\r' {
			before = c
		}
	}
	return all
}

// commentLength is the length of the comment at the beginning of source.
func commentLength(source string) int {
	end, extra := "\n", 0
	if source[1] == '*' {
		end, extra = "*/", 2
	}
	if n := strings.Index(source[2:], end); n >= 0 {
		return 2 + n + extra
	}
	return len(source)
}

// quotedLength is the length of the literal at the beginning of source that ends with quote, or with its line if it does not. In
// a regular expression, a quote between square brackets does not end it.
func quotedLength(source string, quote byte, brackets bool) int {
	inside := false
	for i := 1; i < len(source); i++ {
		switch c := source[i]; {
		case c == '\\':
			i++
		case c == '\n':
			return i
		case brackets && c == '[':
			inside = true
		case brackets && c == ']':
			inside = false
		case c == quote && !inside:
			return i + 1
		}
	}
	return len(source)
}

// templateLength is the length of the part of a template at the beginning of source, up to its end or, with open, to the next ${.
func templateLength(source string) (n int, open bool) {
	for i := 1; i < len(source); i++ {
		switch {
		case source[i] == '\\':
			i++
		case source[i] == '`':
			return i + 1, false
		case strings.HasPrefix(source[i:], "${"):
			return i + 2, true
		}
	}
	return len(source), false
}

// Count is how many words comments have, and how many of them are of the two groups that the tree avoids.
type Count struct {
	Words  int
	Tell   int // tell, tells, told, telling: programs return, report, print and send
	People int // nobody, somebody, whoever, stands, lacks, anew
}

var (
	word   = regexp.MustCompile(`[A-Za-z']+`)
	tell   = regexp.MustCompile(`(?i)^(tell|tells|told|telling)$`)
	people = regexp.MustCompile(`(?i)^(nobody|somebody|whoever|stands|lacks|anew)$`)
)

// CountWords counts the words of a text.
func CountWords(text string) (c Count) {
	for _, w := range word.FindAllString(text, -1) {
		c.Words++
		w = strings.TrimSuffix(w, "'s")
		switch {
		case tell.MatchString(w):
			c.Tell++
		case people.MatchString(w):
			c.People++
		}
	}
	return c
}

// Plus returns the sum of two counts.
func (c Count) Plus(o Count) Count {
	return Count{c.Words + o.Words, c.Tell + o.Tell, c.People + o.People}
}

// PerThousand returns how often the words of each group occur in 1,000 words, 0 if there are none.
func (c Count) PerThousand() (tell, people float64) {
	if c.Words == 0 {
		return 0, 0
	}
	return 1000 * float64(c.Tell) / float64(c.Words), 1000 * float64(c.People) / float64(c.Words)
}
