package webhook_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/quantity"
	"dewline/internal/deliver"
	"dewline/internal/deliver/text"
	"dewline/internal/deliver/webhook"
	"dewline/internal/test/delivertest"
	"dewline/internal/test/memoryqueue"
)

// taken is a request as a push service sees it.
type taken struct {
	header http.Header
	body   string
}

// push sends the entry of an alarm in a format to a server on loopback and returns what that took.
func push(t *testing.T, change func(*webhook.Options)) taken {
	t.Helper()
	requests := make(chan taken, 4)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		requests <- taken{r.Header, string(body)}
	}))
	t.Cleanup(server.Close)
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	o := webhook.Options{Site: "north-loft", URL: server.URL, Queue: memoryqueue.New(0, 0, 0), Text: &text.Formatter{
		Site: "north-loft", Location: lisbon, Temperature: quantity.Fahrenheit, Titles: map[string]string{"tub-1": "Tub 1"},
	}}
	change(&o)
	hook, err := webhook.New(o)
	require.NoError(t, err)
	delivertest.Send(t, hook, entry(17))
	go hook.Run(t.Context())
	select {
	case request := <-requests:
		return request
	case <-time.After(10 * time.Second):
		t.Fatal("nothing came")
		return taken{}
	}
}

func TestTextWithItsTitleInAHeader(t *testing.T) {
	got := push(t, func(o *webhook.Options) { o.Format, o.TitleHeader = webhook.Text, "X-Title" })
	assert.Equal(t, "text/plain; charset=utf-8", got.header.Get("Content-Type"))
	assert.Equal(t, "ALARM: Tub 1: water too warm, 78.1 F", got.header.Get("X-Title"), "without the degree sign, which headers do not carry")
	assert.True(t, strings.HasPrefix(got.body, "Tub 1: water too warm.\n"), got.body)
	assert.Contains(t, got.body, "Limit: at most 75.2 °F\n")
	assert.Contains(t, got.body, "What to do:\n- ")
}

func TestTextAlone(t *testing.T) {
	got := push(t, func(o *webhook.Options) { o.Format = webhook.Text })
	assert.True(t, strings.HasPrefix(got.body, "ALARM: Tub 1: water too warm, 78.1 °F\n\nTub 1: water too warm.\n"), got.body)
}

func TestATitleThatASCIICannotWrite(t *testing.T) {
	got := push(t, func(o *webhook.Options) {
		o.Format, o.TitleHeader, o.Text.Titles = webhook.Text, "Title", map[string]string{"tub-1": "Küche"}
	})
	assert.Equal(t, "=?utf-8?q?ALARM:_K=C3=BCche:_water_too_warm,_78.1_F?=", got.header.Get("Title"))
}

func TestJSONHasTitleTextAndFields(t *testing.T) {
	got := push(t, func(o *webhook.Options) { o.Format = webhook.JSON })
	assert.Equal(t, "application/json", got.header.Get("Content-Type"))
	var m text.Message
	require.NoError(t, json.Unmarshal([]byte(got.body), &m))
	assert.Equal(t, "ALARM: Tub 1: water too warm, 78.1 °F", m.Title)
	assert.Equal(t, "run-17", m.ID)
	assert.Equal(t, "75.2 °F", m.Fields.Limit)
	assert.Contains(t, m.Text, "What to do:\n- ")
}

func TestATemplateWritesTheBody(t *testing.T) {
	parse := func(source string) *text.Template {
		parsed, err := text.ParseTemplate(source)
		require.NoError(t, err)
		return parsed
	}
	got := push(t, func(o *webhook.Options) {
		o.Format, o.Template = webhook.Text, parse("{{.Fields.Place}} at {{.Fields.Value}}, limit {{.Fields.Limit}}")
	})
	assert.Equal(t, "Tub 1 at 78.1 °F, limit 75.2 °F", got.body)
	got = push(t, func(o *webhook.Options) { o.Format, o.Template = webhook.JSON, parse(`{"content": {{json .Title}}}`) })
	assert.Equal(t, "application/json", got.header.Get("Content-Type"))
	assert.JSONEq(t, `{"content": "ALARM: Tub 1: water too warm, 78.1 °F"}`, got.body)
	got = push(t, func(o *webhook.Options) {
		o.Format, o.Template = webhook.JSON, parse(`{{if eq .Fields.Place "Tub 1"}}no JSON{{else}}{"content": {{json .Title}}}{{end}}`)
	})
	assert.Contains(t, got.body, `"title":"ALARM: Tub 1: water too warm, 78.1 °F"`, "a template that fails costs no alarm")
}

// TestWhatWaitedInAnotherFormatGoesOutAsItIs: the outbox outlives a new configuration and a new version.
func TestWhatWaitedInAnotherFormatGoesOutAsItIs(t *testing.T) {
	queue := memoryqueue.New(0, 0, 0)
	require.NoError(t, queue.Add(deliver.Item{Event: "run-1", Class: deliver.Alarm, Body: []byte(`{"specversion":"1.0","id":"run-1","type":"dewline.alarm.raised.v1"}`)}))
	got := push(t, func(o *webhook.Options) { o.Format, o.Queue = webhook.Text, queue })
	assert.Equal(t, "application/cloudevents+json", got.header.Get("Content-Type"))
	assert.JSONEq(t, `{"specversion":"1.0","id":"run-1","type":"dewline.alarm.raised.v1"}`, got.body)
}
