package config

import (
	"errors"
	"strings"

	"dewline/internal/deliver/text"
)

// formats are what a webhook can send.
var formats = []string{"text", "json", "cloudevent"}

// maxTemplate is the largest size of a template file, in bytes.
const maxTemplate = 64 << 10

// template reads a template of messages: the text itself if it has an action such as {{.Title}}, else the path of a file.
func (l *loader) template(n *node, path string) *text.Template {
	if !l.is(n, path, scalar) {
		return nil
	}
	source, at := n.text, func(line, column int) position { return l.within(n.at, line, column) }
	if !strings.Contains(source, "{{") {
		name := l.resolve(strings.TrimSpace(source))
		content, err := readFile(l.from, name)
		switch {
		case err != nil:
			l.errorf(path, "the template %s: %s", name, err)
			return nil
		case len(content) > maxTemplate:
			l.errorf(path, "the template %s has more than %d bytes", name, maxTemplate)
			return nil
		}
		source, at = string(content), func(line, column int) position { return position{name, line, column} }
	}
	parsed, err := text.ParseTemplate(source)
	if bad, ok := errors.AsType[*text.TemplateError](err); ok {
		l.origins[path+".source"] = at(bad.Line, bad.Column)
		l.errorf(path+".source", "the template cannot be used: %s", bad)
		return nil
	}
	return parsed
}

// within returns the position of a line and column of a value that begins at a position: the value may be plain, in quotes, or a block
// that begins below |.
func (l *loader) within(at position, line, column int) position {
	if at.line < 1 || at.line > len(l.lines) {
		return at
	}
	first := []rune(l.lines[at.line-1])
	if at.column < 1 || at.column > len(first) {
		return at
	}
	switch first[at.column-1] {
	case '|':
		if at.line+line > len(l.lines) {
			return at
		}
		body := l.lines[at.line]
		return position{at.file, at.line + line, len(body) - len(strings.TrimLeft(body, " ")) + column}
	case '"', '\'':
		column++
	}
	if line > 1 { // folded: the lines of the value are not those of the file
		return at
	}
	return position{at.file, at.line, at.column + column - 1}
}
