package webhook

import (
	"encoding/json"
	"fmt"
	"mime"
	"strings"
	"unicode"

	"dewline/internal/core/journal"
	"dewline/internal/deliver"
	"dewline/internal/deliver/text"
	"dewline/internal/format/cloudevent"
)

// Format is what a request carries.
type Format string

// The formats.
const (
	Text       Format = "text"       // the message for people, plain
	JSON       Format = "json"       // the message and its parts
	CloudEvent Format = "cloudevent" // the journal entry, for programs
)

// content is what waits in the outbox in the formats for people. A CloudEvent waits as it is.
type content struct {
	Type  string `json:"content_type"`
	Title string `json:"title"`
	Body  string `json:"body"`
	Test  bool   `json:"test,omitempty"` // it is a test, and no alarm
}

const (
	mediaText = "text/plain; charset=utf-8"
	mediaJSON = "application/json"
)

// write writes the content of a journal entry.
func (w *Webhook) write(entry *journal.Entry) ([]byte, error) {
	if w.o.Format == CloudEvent {
		event, err := cloudevent.OfEntry(w.o.Site, entry)
		if err != nil {
			return nil, err
		}
		return event.JSON()
	}
	message := w.o.Text.Message(entry)
	c := content{Type: mediaText, Title: message.Title, Body: message.Text, Test: entry.Kind == journal.NotifierTest}
	if w.o.Format == JSON {
		body, err := json.Marshal(message)
		if err != nil {
			return nil, err
		}
		c.Type, c.Body = mediaJSON, string(body)
	} else if w.o.TitleHeader == "" && w.o.Template == nil {
		c.Body = message.Title + "\n\n" + message.Text
	}
	if w.o.Template != nil {
		// A template that fails on some message must not cost the alarm: the usual content goes out instead.
		if written, err := w.o.Template.Write(message); err == nil && (w.o.Format != JSON || json.Valid([]byte(written))) {
			c.Body = written
		} else {
			w.o.Log.Error("the template could not write a message, which goes out as it is without one", "event", entry.ID(), "err", err)
		}
	}
	return json.Marshal(c)
}

// unpack reads what has waited in the outbox, also as another format or an earlier version has put it there.
func unpack(item deliver.Item) (content, error) {
	var c content
	if err := json.Unmarshal(item.Body, &c); err != nil {
		return content{}, fmt.Errorf("%w: the outbox holds no message: %w", deliver.ErrUnsendable, err)
	}
	if c.Type == "" { // a CloudEvent has no such member
		event, _ := cloudevent.Parse(item.Body) // what is none goes out as it is
		c = content{Type: cloudevent.MediaType, Body: string(item.Body), Test: event.Type == cloudevent.TypeOf(journal.NotifierTest)}
	}
	return c, nil
}

// degrees writes the signs of a title that most often are not ASCII as people write them without.
var degrees = strings.NewReplacer("°", "", "–", "-", "−", "-", "…", "...", "’", "'")

// titleHeader makes a title fit for a header. What is not ASCII in it even then, such as a place called Küche, is encoded as RFC 2047
// has it for mail: HTTP has no other rule.
func titleHeader(title string) string {
	title = degrees.Replace(text.OneLine(title))
	if strings.IndexFunc(title, func(r rune) bool { return r > unicode.MaxASCII }) < 0 {
		return title
	}
	return mime.QEncoding.Encode("utf-8", title)
}
