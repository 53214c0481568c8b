package web

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/server/status"
)

// Error is what a refused or failed request is answered with: a code for machines and a message for people.
type Error struct {
	Code    string `json:"code"`
	Message string `json:"message"`
}

// The codes of errors.
const (
	badRequest   = "bad-request"
	notFound     = "not-found"
	noHistory    = "no-history"
	unavailable  = "unavailable"
	tooManyLives = "too-many-streams"
	notLoggedIn  = "not-logged-in"
)

func fail(w http.ResponseWriter, r *http.Request, status int, code, message string) {
	answer(w, r, status, Error{code, message})
}

// smallest answer that is worth the work of compressing
const worthCompressing = 1400

// answer writes a value as JSON, compressed where the caller takes that.
func answer(w http.ResponseWriter, r *http.Request, status int, value any) {
	data, err := json.Marshal(value)
	if err != nil { // only a number that JSON cannot carry gets here
		status, data = http.StatusInternalServerError, []byte(`{"code":"internal","message":"the answer could not be written as JSON"}`)
	}
	answerBytes(w, r, status, "application/json", data)
}

func answerBytes(w http.ResponseWriter, r *http.Request, status int, mediaType string, data []byte) {
	h := w.Header()
	h.Set("Content-Type", mediaType)
	h.Add("Vary", "Accept-Encoding")
	if len(data) >= worthCompressing && takesGzip(r) {
		var packed bytes.Buffer
		writer, _ := gzip.NewWriterLevel(&packed, gzip.BestSpeed) // the level exists
		_, _ = writer.Write(data)                                 // into memory
		_ = writer.Close()
		h.Set("Content-Encoding", "gzip")
		data = packed.Bytes()
	}
	h.Set("Content-Length", strconv.Itoa(len(data)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(data) // a caller who has gone is no news
	}
}

func takesGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		name, weight, _ := strings.Cut(strings.TrimSpace(part), ";")
		if name == "gzip" && strings.ReplaceAll(weight, " ", "") != "q=0" {
			return true
		}
	}
	return false
}

// number prints seven significant digits, more than any sensor has; NaN and infinities become null.
type number float64

// MarshalJSON writes the number.
func (n number) MarshalJSON() ([]byte, error) {
	v := float64(n)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	text := strconv.AppendFloat(nil, v, 'g', 7, 64)
	if !bytes.ContainsRune(text, 'e') {
		return text, nil
	}
	return strconv.AppendFloat(nil, v, 'e', 6, 64), nil
}

// known returns nil for what JSON cannot carry.
func known(v float64) *number {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	n := number(v)
	return &n
}

// query reads the parameters of a request and keeps the first problem with them.
type query struct {
	values  url.Values
	problem string
}

func (q *query) refuse(message string) {
	if q.problem == "" {
		q.problem = message
	}
}

// span reads from and to. A range that reaches beyond now ends there.
func (q *query) span(p *status.Snapshot) (from, to instant.Instant) {
	from, to = q.time("from"), q.time("to")
	if q.problem != "" {
		return 0, 0
	}
	if from.IsNone() || to.IsNone() {
		q.refuse("give from and to as RFC 3339 times, such as 2026-07-01T00:00:00Z")
		return 0, 0
	}
	if !p.At.IsZero() {
		to = min(to, instant.Of(p.At))
	}
	switch {
	case to <= from:
		q.refuse("the range must begin before it ends, and before now")
	case to.Sub(from) > 10*366*24*time.Hour:
		q.refuse("the range is longer than ten years")
	}
	return from, to
}

// time reads an RFC 3339 time; None where there is none.
func (q *query) time(name string) instant.Instant {
	text := q.values.Get(name)
	if text == "" {
		return instant.None
	}
	at, err := instant.Parse(text)
	if err != nil {
		q.refuse(name + ": " + err.Error())
		return instant.None
	}
	return at
}

// integer reads a whole number between least and most.
func (q *query) integer(name string, otherwise, least, most int) int {
	text := q.values.Get(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > most {
		q.refuse(name + " must be a whole number from " + strconv.Itoa(least) + " to " + strconv.Itoa(most))
		return otherwise
	}
	return n
}

// display reads the unit of temperature in which values are to be written; NoUnit where they are to be canonical.
func (q *query) display() quantity.Unit {
	switch q.values.Get("temperature") {
	case "":
	case quantity.Celsius.Symbol():
		return quantity.Celsius
	case quantity.Fahrenheit.Symbol():
		return quantity.Fahrenheit
	default:
		q.refuse("temperature must be Cel or degF, or left out for canonical units")
	}
	return quantity.NoUnit
}

const maxPoints = 32

// points reads the points that were asked for; each must be one of the picture.
func (q *query) points(p *status.Snapshot) []quantity.Point {
	names := q.values["point"]
	if len(names) == 0 || len(names) > maxPoints {
		q.refuse("name one to " + strconv.Itoa(maxPoints) + " points, such as point=tub-1/water-temperature")
		return nil
	}
	points := make([]quantity.Point, 0, len(names))
	for _, name := range names {
		point, err := quantity.ParsePoint(name)
		if err != nil {
			q.refuse(err.Error())
			return nil
		}
		if stateOf(p, point) == nil {
			q.refuse("the site has no point " + name)
			return nil
		}
		points = append(points, point)
	}
	return points
}
