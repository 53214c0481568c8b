package text

import (
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"text/template"
	"unicode/utf8"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
)

// Template is a keeper's own wording of messages: a Go text/template over [Message], such as
//
//	{{.Title}} ({{.Fields.LivesThere}}): {{.Fields.Link}}
//
// Beside the functions of text/template there is json, which quotes a value for a body of JSON: {"text": {{json .Text}}}.
type Template struct{ parsed *template.Template }

// TemplateError is what is wrong with a template. Line and Column count from 1 in runes.
type TemplateError struct {
	Line, Column int
	Err          error
}

// Error implements error.
func (e *TemplateError) Error() string { return e.Err.Error() }

// Unwrap returns what is wrong.
func (e *TemplateError) Unwrap() error { return e.Err }

// maxMessage bounds what a template can write.
const maxMessage = 64 << 10

// ParseTemplate reads a template and tries it on messages of every kind, so that a mistyped field is found before the first alarm.
// Every error is a [TemplateError].
func ParseTemplate(source string) (*Template, error) {
	parsed, err := template.New("message").Funcs(template.FuncMap{"json": quoteJSON}).Parse(source)
	if err != nil {
		return nil, templateError(source, err)
	}
	t := &Template{parsed}
	for _, m := range samples() {
		if _, err := t.Write(m); err != nil {
			return nil, templateError(source, err)
		}
	}
	return t, nil
}

// Write writes a message in the words of the template.
func (t *Template) Write(m Message) (string, error) {
	b := &bounded{}
	if err := t.parsed.Execute(b, m); err != nil {
		return "", err
	}
	return b.String(), nil
}

// WritesJSON reports whether what the template writes is JSON, by trying it.
func (t *Template) WritesJSON() bool {
	for _, m := range samples() {
		if written, err := t.Write(m); err != nil || !json.Valid([]byte(written)) {
			return false
		}
	}
	return true
}

func quoteJSON(v any) (string, error) {
	data, err := json.Marshal(v)
	return string(data), err
}

// bounded refuses more than a message can be.
type bounded struct{ strings.Builder }

// Write implements io.Writer.
func (b *bounded) Write(p []byte) (int, error) {
	if b.Len()+len(p) > maxMessage {
		return 0, fmt.Errorf("it writes more than %d bytes", maxMessage)
	}
	return b.Builder.Write(p)
}

// samples are an alarm, its end and a test in full, to try a template on.
func samples() []Message {
	f := &Formatter{Site: "north-loft", Titles: map[string]string{"tub-1": `Tub "1"`}, PublicURL: "https://loft.example"}
	since := instant.Instant(0)
	e := journal.Entry{
		Seq: 1, Run: "sample", At: since.Add(1800e9), Kind: journal.AlarmRaised, Alarm: "tub-1/water-temperature/high", Occurrence: "tub-1/water-temperature/high@sample",
		State: "B", Was: "A", Priority: "high", Value: new(25.6), Setpoint: new(24.0), Extreme: new(25.7), Since: &since, Place: "tub-1",
	}
	over := e
	over.Kind, over.State = journal.AlarmCleared, "D"
	raised := f.Message(&e)
	raised.Fields.Residents, raised.Fields.LivesThere = []Resident{{Cohort: "a-2026", Stage: "larva"}}, "a-2026 (larva)"
	return []Message{raised, f.Message(&over), f.Message(&journal.Entry{Run: "sample", Kind: journal.NotifierTest, By: "keeper"})}
}

var (
	// text/template writes "template: message:2: unexpected …" where it cannot read, and "template: message:2:7: executing …".
	templatePosition = regexp.MustCompile(`^template: message:(\d+):(?:(\d+):)? ?`)
	executing        = regexp.MustCompile(`^executing "message" at (<.*>): `)
	quotedToken      = regexp.MustCompile(`"([^"]+)"|<([^<>]+)>|(\{\{[^}]*\}\})`)
)

// templateError finds the place of a mistake. Where only the line is known, the column is that of the word that the message names,
// else that of the first action of the line.
func templateError(source string, err error) error {
	message, at := err.Error(), &TemplateError{Line: 1, Column: 1}
	found := templatePosition.FindStringSubmatch(message)
	if found == nil {
		at.Err = err
		return at
	}
	message = message[len(found[0]):]
	at.Line, _ = strconv.Atoi(found[1])
	lines := strings.Split(source, "\n")
	at.Line = min(max(at.Line, 1), len(lines))
	line := lines[at.Line-1]
	column := 0 // in bytes
	if found[2] != "" {
		column, _ = strconv.Atoi(found[2])
	} else {
		column = max(strings.Index(line, "{{"), 0)
		if token := quotedToken.FindStringSubmatch(message); token != nil {
			if i := strings.Index(line[column:], token[1]+token[2]+token[3]); i >= 0 {
				column += i
			}
		}
	}
	at.Column = utf8.RuneCountInString(line[:min(column, len(line))]) + 1
	message = executing.ReplaceAllString(message, "$1: ")
	message = strings.NewReplacer("in type text.Message", "in a message", "in type text.Fields", "in the fields of a message").Replace(message)
	at.Err = errors.New(message)
	return at
}
