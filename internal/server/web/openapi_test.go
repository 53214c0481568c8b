package web_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"math"
	"net/http"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
)

// schema is as much of JSON Schema 2020-12 as the contract uses. An unknown keyword fails the test, so that nothing in the contract
// goes unchecked.
type schema struct {
	Ref        string             `json:"$ref"`
	Type       any                `json:"type"`
	Properties map[string]*schema `json:"properties"`
	Required   []string           `json:"required"`
	Additional json.RawMessage    `json:"additionalProperties"`
	Items      *schema            `json:"items"`
	Enum       []any              `json:"enum"`
	OneOf      []*schema          `json:"oneOf"`
	Format     string             `json:"format"`
	Pattern    string             `json:"pattern"`
	Minimum    *float64           `json:"minimum"`
	Maximum    *float64           `json:"maximum"`
	About      string             `json:"description"`
}

type content map[string]struct {
	Schema *schema `json:"schema"`
}

type operation struct {
	OperationID string `json:"operationId"`
	Summary     string `json:"summary"`
	About       string `json:"description"`
	Parameters  []struct {
		Name     string  `json:"name"`
		In       string  `json:"in"`
		Required bool    `json:"required"`
		About    string  `json:"description"`
		Style    string  `json:"style"`
		Explode  bool    `json:"explode"`
		Schema   *schema `json:"schema"`
	} `json:"parameters"`
	Body *struct {
		Required bool    `json:"required"`
		Content  content `json:"content"`
	} `json:"requestBody"`
	Responses map[string]struct {
		About   string  `json:"description"`
		Content content `json:"content"`
	} `json:"responses"`
}

type contract struct {
	OpenAPI    string                          `json:"openapi"`
	Info       map[string]string               `json:"info"`
	Paths      map[string]map[string]operation `json:"paths"`
	Components struct {
		Schemas  map[string]*schema           `json:"schemas"`
		Security map[string]map[string]string `json:"securitySchemes"`
	} `json:"components"`
	Security []map[string][]string `json:"security"`
}

func readContract(t testing.TB, site string) *contract {
	code, data := ask(t, site+"/api/openapi.json")
	require.Equal(t, http.StatusOK, code)
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.DisallowUnknownFields()
	var c contract
	require.NoError(t, decoder.Decode(&c))
	require.Equal(t, "3.1.0", c.OpenAPI)
	return &c
}

// check returns what is wrong with a value, "" for nothing.
func (c *contract) check(s *schema, v any, at string) string {
	if s.Ref != "" {
		name := strings.TrimPrefix(s.Ref, "#/components/schemas/")
		target, ok := c.Components.Schemas[name]
		if !ok {
			return at + ": there is no schema " + name
		}
		return c.check(target, v, at)
	}
	if len(s.OneOf) > 0 {
		fits := 0
		for _, one := range s.OneOf {
			if c.check(one, v, at) == "" {
				fits++
			}
		}
		if fits != 1 {
			return fmt.Sprintf("%s: %v fits %d of the alternatives", at, v, fits)
		}
		return ""
	}
	if s.Type != nil && !typed(s.Type, v) {
		return fmt.Sprintf("%s: %v (%T) is not of type %v", at, v, v, s.Type)
	}
	if len(s.Enum) > 0 && !slices.Contains(s.Enum, v) {
		return fmt.Sprintf("%s: %v is not one of %v", at, v, s.Enum)
	}
	switch v := v.(type) {
	case string:
		if s.Format == "date-time" {
			if _, err := time.Parse(time.RFC3339Nano, v); err != nil {
				return at + ": " + err.Error()
			}
		}
		if s.Pattern != "" && !regexp.MustCompile(s.Pattern).MatchString(v) {
			return at + ": " + v + " does not match " + s.Pattern
		}
	case float64:
		if s.Minimum != nil && v < *s.Minimum || s.Maximum != nil && v > *s.Maximum {
			return fmt.Sprintf("%s: %v is out of range", at, v)
		}
	case []any:
		for i, item := range v {
			if s.Items == nil {
				break
			}
			if problem := c.check(s.Items, item, fmt.Sprintf("%s[%d]", at, i)); problem != "" {
				return problem
			}
		}
	case map[string]any:
		return c.checkObject(s, v, at)
	}
	return ""
}

func (c *contract) checkObject(s *schema, v map[string]any, at string) string {
	for _, name := range s.Required {
		if _, ok := v[name]; !ok {
			return at + ": " + name + " is missing"
		}
	}
	for name, member := range v {
		of, ok := s.Properties[name]
		if !ok {
			if string(s.Additional) == "false" {
				return at + ": " + name + " is not in the contract"
			}
			if of = new(schema); len(s.Additional) > 0 {
				if err := json.Unmarshal(s.Additional, of); err != nil {
					return at + ": " + err.Error()
				}
			}
		}
		if problem := c.check(of, member, at+"."+name); problem != "" {
			return problem
		}
	}
	return ""
}

func typed(want, v any) bool {
	if list, ok := want.([]any); ok {
		return slices.ContainsFunc(list, func(one any) bool { return typed(one, v) })
	}
	switch v := v.(type) {
	case nil:
		return want == "null"
	case string:
		return want == "string"
	case bool:
		return want == "boolean"
	case float64:
		return want == "number" || want == "integer" && v == math.Trunc(v)
	case []any:
		return want == "array"
	}
	return want == "object"
}

func TestCheckerOfTheContractIsStrict(t *testing.T) {
	c := &contract{}
	whole := &schema{Type: "object", Required: []string{"a"}, Additional: json.RawMessage("false"), Properties: map[string]*schema{"a": {Type: "integer"}}}
	for text, good := range map[string]bool{`{"a":1}`: true, `{}`: false, `{"a":1.5}`: false, `{"a":1,"b":2}`: false, `{"a":null}`: false, `[]`: false} {
		var v any
		require.NoError(t, json.Unmarshal([]byte(text), &v))
		assert.Equal(t, good, c.check(whole, v, "") == "", text)
	}
	assert.NotEmpty(t, c.check(&schema{Type: "string", Format: "date-time"}, "yesterday", ""))
	assert.NotEmpty(t, c.check(&schema{Enum: []any{"x"}}, "y", ""))
}

// Every path of the contract is asked, in each of its outcomes that can be brought about, and every answer is held against its schema.
func TestAnswersKeepTheContract(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, r.options(t))
	bare := r.options(t)
	bare.History, bare.Command, bare.Pages, bare.Rehearser = nil, nil, nil, nil
	without := r.serve(t, bare)
	withUsers := r.serve(t, locked(t, r))
	c := readContract(t, site)

	const span = "from=2026-07-01T00:00:00Z&to=2026-07-08T00:00:00Z"
	const points = "point=tub-1/water-temperature&point=vivarium-1/relative-humidity&point=grow-out/vapour-pressure-deficit"
	const tryBody = `{"range":"week","bands":[{"place":"tub-1","quantity":"water-temperature","day":{"critical-low":"","low":"70 °F","high":"77 °F","critical-high":""},"night":null,"on_delay":"20m","critical_on_delay":"","off_delay":"","deadband":"","priority":"","foresee":""}],"profiles":[{"cohort":"a-2026","profile":"cool-montane-stream"}]}`
	unacknowledged := r.waiting(t)
	requests := []struct {
		site, method, path, query, body string
		status                          int
	}{
		{site, "GET", "/api/now", "", "", 200},
		{without, "GET", "/api/now", "", "", 200},
		{site, "GET", "/api/trend", points + "&" + span + "&columns=700", "", 200},
		{site, "GET", "/api/trend", points + "&from=2026-07-11T10:00:00Z&to=2026-07-11T16:00:00Z&columns=400", "", 200},
		{site, "GET", "/api/trend", span, "", 400},
		{site, "GET", "/api/trend", "point=tub-1/air-temperature&" + span, "", 400},
		{site, "GET", "/api/trend", points, "", 400},
		{site, "GET", "/api/trend", points + "&from=2026-07-08T00:00:00Z&to=2026-07-01T00:00:00Z", "", 400},
		{site, "GET", "/api/trend", points + "&" + span + "&columns=1", "", 400},
		{site, "GET", "/api/trend", points + "&from=yesterday&to=today", "", 400},
		{without, "GET", "/api/trend", points + "&" + span, "", 404},
		{site, "GET", "/api/days", "place=grow-out&from=2025-07-15T00:00:00Z&to=2026-07-14T00:00:00Z", "", 200},
		{site, "GET", "/api/days", "place=nowhere&" + span, "", 400},
		{site, "GET", "/api/days", "place=grow-out&from=2024-07-15T00:00:00Z&to=2026-07-14T00:00:00Z", "", 400},
		{without, "GET", "/api/days", "place=grow-out&" + span, "", 404},
		{site, "GET", "/api/trend", points + "&from=2026-05-14T00:00:00Z&to=2026-07-14T00:00:00Z&columns=days", "", 200},
		{site, "GET", "/api/live", "changes=some", "", 400},
		{site, "GET", "/api/today", "", "", 200},
		{site, "GET", "/api/calibrations", "", "", 200},
		{site, "GET", "/api/compare", "a=tub-1/water-temperature&b=tub-2/water-temperature", "", 200},
		{site, "GET", "/api/compare", "a=tub-1/water-temperature&b=loft/relative-humidity", "", 400},
		{site, "GET", "/api/care", "", "", 200},
		{site, "GET", "/api/marks", span, "", 200},
		{site, "GET", "/api/marks", "from=2026-05-14T00:00:00Z&to=2026-07-14T12:00:00Z&place=tub-1", "", 200},
		{site, "GET", "/api/marks", "", "", 400},
		{without, "GET", "/api/marks", span, "", 200},
		{site, "GET", "/api/exposure", points + "&" + span, "", 200},
		{site, "GET", "/api/exposure", span, "", 400},
		{without, "GET", "/api/exposure", points + "&" + span, "", 404},
		{site, "GET", "/api/humidity", "place=vivarium-1", "", 200},
		{site, "GET", "/api/humidity", "place=vivarium-2&schedule=07:00,12:30x0.5,18:30&from=2026-07-08T00:00:00Z&to=2026-07-12T00:00:00Z&against_from=2026-06-08T00:00:00Z&against_to=2026-06-12T00:00:00Z", "", 200},
		{site, "GET", "/api/humidity", "place=tub-1", "", 200},
		{site, "GET", "/api/humidity", "place=loft", "", 400},
		{site, "GET", "/api/humidity", "place=vivarium-1&schedule=noon", "", 400},
		{site, "GET", "/api/humidity", "place=vivarium-1&from=2026-07-08T00:00:00Z", "", 400},
		{site, "GET", "/api/humidity", "place=vivarium-1&from=2026-01-08T00:00:00Z&to=2026-07-08T00:00:00Z", "", 400},
		{without, "GET", "/api/humidity", "place=vivarium-1", "", 404},
		{site, "GET", "/api/journal", "limit=500", "", 200},
		{site, "GET", "/api/journal", "kinds=people&place=tub-1&from=2026-05-01T00:00:00Z&to=2026-07-08T00:00:00Z&before=900", "", 200},
		{site, "GET", "/api/journal", "kinds=gossip", "", 400},
		{site, "GET", "/api/journal", "before=-1", "", 400},
		{without, "GET", "/api/journal", "", "", 404},
		{site, "GET", "/api/readings.csv", points + "&" + span, "", 200},
		{site, "GET", "/api/readings.csv", points + "&" + span + "&temperature=degF", "", 200},
		{site, "GET", "/api/readings.csv", points, "", 400},
		{without, "GET", "/api/readings.csv", points + "&" + span, "", 404},
		{site, "POST", "/api/command", "", `{"verb":"acknowledge","alarm":"` + unacknowledged.Name + `","occurrence":"` + unacknowledged.Occurrence + `","by":"Ines"}`, 200},
		{site, "POST", "/api/command", "", `{"verb":"acknowledge","alarm":"nowhere/water-temperature/low"}`, 409},
		{site, "POST", "/api/command", "", `{"verb":"note","text":"a note (invented)","place":"tub-1"}`, 200},
		{site, "POST", "/api/command", "", `{"verb":"note","colour":"blue"}`, 400},
		{site, "POST", "/api/command", "", `{"verb":"repeat","alarm":"` + unacknowledged.Name + `"}`, 400},
		{site, "POST", "/api/command", "", `{"verb":"stage","cohort":"a-2026","stage":"metamorph","at":"soon"}`, 400},
		{site, "POST", "/api/command", "", `{"verb":"move","cohort":"a-2026","place":"tub-2","at":"2026-07-10"}`, 200},
		{site, "POST", "/api/command", "", `{"verb":"count","cohort":"a-2026","count":30,"why":"died","at":"2026-07-10 08:30"}`, 200},
		{site, "POST", "/api/command", "", `{"verb":"move","cohort":"a-2026","place":"tub-2","at":"2199-01-01"}`, 409},
		{site, "POST", "/api/command", "", `{"verb":"done","task":"feed","place":"tub-1","text":"half was left"}`, 200},
		{without, "POST", "/api/command", "", `{"verb":"note","text":"x"}`, 403},
		{site, "GET", "/api/try", "", "", 200},
		{site, "GET", "/api/try.yaml", "", "", 404},
		{site, "POST", "/api/try", "", `{"range":"week","bands":[],"profiles":[]}`, 400},
		{site, "POST", "/api/try", "", `{"range":"week","limits":{}}`, 400},
		{site, "POST", "/api/try", "", tryBody, 202},
		{site, "POST", "/api/try", "", tryBody, 409},
		{site, "GET", "/api/try", "choices=no", "", 200},
		{site, "DELETE", "/api/try", "", "", 200},
		{site, "GET", "/api/try", "", "", 200},
		{site, "GET", "/api/try.yaml", "", "", 200},
		{without, "GET", "/api/try", "", "", 404},
		{without, "POST", "/api/try", "", tryBody, 404},
		{without, "DELETE", "/api/try", "", "", 404},
		{without, "GET", "/api/try.yaml", "", "", 404},
		{site, "GET", "/api/openapi.json", "", "", 200},
	}
	for path, methods := range c.Paths {
		for method := range methods {
			if path == "/api/live" {
				continue // a stream only where it is let in
			}
			requests = append(requests, requests[0])
			last := &requests[len(requests)-1]
			last.site, last.method, last.path, last.status = withUsers, strings.ToUpper(method), path, 401
		}
	}
	asked := map[string]bool{"/api/live 200": true, "/api/live 503": true, "/api/live 401": true, "/api/command 415": true, "/api/try 403": true, "/api/try 415": true, "/api/command 503": true} // by tests of their own
	for _, q := range requests {
		t.Run(fmt.Sprintf("%s %s %d", q.method, strings.TrimPrefix(q.path, "/api/"), q.status), func(t *testing.T) {
			op, ok := c.Paths[q.path][strings.ToLower(q.method)]
			require.True(t, ok, "the contract does not know this path")
			checkQuery(t, c, op, q.query, q.status)
			request, err := http.NewRequestWithContext(t.Context(), q.method, q.site+q.path+"?"+q.query, strings.NewReader(q.body))
			require.NoError(t, err)
			if q.body != "" {
				request.Header.Set("Content-Type", "application/json")
			}
			response, err := http.DefaultClient.Do(request)
			require.NoError(t, err)
			defer response.Body.Close()
			data, err := io.ReadAll(response.Body)
			require.NoError(t, err)
			require.Equal(t, q.status, response.StatusCode, "%s", data)
			described, ok := op.Responses[fmt.Sprint(q.status)]
			require.True(t, ok, "the contract does not know this outcome")
			asked[q.path+" "+fmt.Sprint(q.status)] = true
			mediaType, _, _ := strings.Cut(response.Header.Get("Content-Type"), ";")
			of, ok := described.Content[mediaType]
			require.True(t, ok, "the contract does not know %s", mediaType)
			if mediaType == "application/json" {
				var v any
				require.NoError(t, json.Unmarshal(data, &v))
				require.Empty(t, c.check(of.Schema, v, "answer"))
			}
		})
	}
	for path, methods := range c.Paths {
		for _, op := range methods {
			for status := range op.Responses {
				if status != "503" || path == "/api/live" {
					assert.True(t, asked[path+" "+status], "%s is never answered with %s here", path, status)
				}
			}
		}
	}
}

// checkQuery holds a request that is to succeed against the parameters of the contract.
func checkQuery(t *testing.T, c *contract, op operation, query string, status int) {
	if status != http.StatusOK {
		return
	}
	values, err := url.ParseQuery(query)
	require.NoError(t, err)
	for name := range values {
		known := false
		for _, p := range op.Parameters {
			known = known || p.Name == name
		}
		assert.True(t, known, "the contract does not know the parameter %s", name)
	}
	for _, p := range op.Parameters {
		assert.False(t, p.Required && !values.Has(p.Name), "the contract asks for %s", p.Name)
	}
}

// The contract describes every field that an entry may hold, and allows no other.
func TestContractKnowsAllOfAnEntry(t *testing.T) {
	r := newRig(t)
	known := readContract(t, r.serve(t, r.options(t))).Components.Schemas["Entry"].Properties
	var fields []string
	for field := range reflect.TypeFor[journal.Entry]().Fields() {
		name, _, _ := strings.Cut(field.Tag.Get("json"), ",")
		fields = append(fields, name)
	}
	assert.ElementsMatch(t, fields, slices.Collect(maps.Keys(known)))
}

// When the store does not answer, that is said.
func TestBrokenHistoryIsSaid(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	log := &lockedBuffer{}
	o.Log = slog.New(slog.NewTextHandler(log, nil))
	site := r.serve(t, o)
	c := readContract(t, site)
	r.broken = fmt.Errorf("database disk image is malformed")
	const span = "from=2026-07-01T00:00:00Z&to=2026-07-08T00:00:00Z"
	said := map[string]bool{"/api/live": true, "/api/command": true} // of their own, in other tests
	for _, path := range []string{"/api/trend?point=tub-2/water-temperature&" + span, "/api/trend?columns=3000&point=tub-2/water-temperature&from=2026-07-01T00:00:00Z&to=2026-07-01T01:00:00Z", "/api/exposure?point=vivarium-1/dew-point&" + span, "/api/journal", "/api/marks?" + span, "/api/days?place=tub-1&" + span, "/api/humidity?place=vivarium-1"} {
		code, data := ask(t, site+path)
		require.Equal(t, http.StatusServiceUnavailable, code, path)
		var v any
		require.NoError(t, json.Unmarshal(data, &v))
		require.Empty(t, c.check(&schema{Ref: "#/components/schemas/Error"}, v, path))
		assert.Contains(t, string(data), "malformed")
		path, _, _ = strings.Cut(path, "?")
		said[path] = true
	}
	for path, methods := range c.Paths {
		for method, op := range methods {
			_, described := op.Responses["503"]
			assert.Equal(t, said[path], described, "%s %s", method, path)
		}
	}
	assert.Equal(t, 1, strings.Count(log.String(), "malformed"), "the log has it once, however many pages ask: %s", log)
	response, err := http.Get(site + "/api/readings.csv?point=tub-2/water-temperature&" + span)
	if err == nil { // the head may have gone out before the first reading: then the body is cut off
		_, err = io.ReadAll(response.Body)
		response.Body.Close()
	}
	assert.Error(t, err, "half a file must not look like a whole one")
}
