package web

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/deliver/text"
	"dewline/internal/server/auth"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
)

//go:embed page.css
var style string

//go:embed page.html
var pageSource string

//go:embed humidity.html
var humiditySource string

//go:embed try.html
var trySource string

var page = template.Must(template.Must(template.Must(template.New("page").Parse(humiditySource)).Parse(trySource)).Parse(pageSource))

// The page on the wall has a frame of its own, with nothing to press.
//
//go:embed wall.html
var wallSource string

var wallPage = template.Must(template.Must(page.Clone()).New("wall").Parse(wallSource))

// styleHash lets the plain page's own style through the content security policy, and no other.
var styleHash = func() string {
	sum := sha256.Sum256([]byte(style))
	return base64.StdEncoding.EncodeToString(sum[:])
}()

// pageOf is one of the pages.
type pageOf struct {
	Name, Path, Link, Title string
	of                      humidityQuestion // of the page of an enclosure's humidity
}

var pages = []pageOf{
	{Name: "now", Path: "/{$}", Link: "/", Title: "Now"},
	{Name: "today", Path: "/today", Link: "/today", Title: "Today"},
	{Name: "trend", Path: "/trend", Link: "/trend", Title: "Trend"},
	{Name: "alarms", Path: "/alarms", Link: "/alarms", Title: "Alarms"},
	{Name: "sensors", Path: "/sensors", Link: "/sensors", Title: "Sensors"},
}

// further are pages that the navigation does not name: the others lead to them.
var further = []pageOf{
	{Name: "wall", Path: "/wall", Link: "/wall", Title: "Wall"},
	{Name: "year", Path: "/year", Link: "/year", Title: "A year at a glance"},
	{Name: "try", Path: "/try", Link: "/try", Title: "Try other limits"},
}

// frame is what every page has.
type frame struct {
	Site   string
	Look   string        // light, dark or "" for what the system says
	Who    auth.Identity // who has logged in, if anybody
	Built  bool
	Styles []string
	Style  template.CSS // where the pages have not been built
}

func (s *site) frameOf(r *http.Request) frame {
	f := frame{Site: s.Current.Get().Site, Look: lookOf(r), Who: visitorOf(r).Identity, Style: template.CSS(style)}
	if s.assets != nil {
		f.Built, f.Styles = true, s.assets.manifest.Styles
	}
	return f
}

// render makes a page and answers with it, whole or not at all.
func (s *site) render(w http.ResponseWriter, r *http.Request, status int, of *template.Template, view any) {
	var buffer bytes.Buffer
	if err := of.Execute(&buffer, view); err != nil {
		s.Log.Error("page", "err", err)
		http.Error(w, "the page could not be made", http.StatusInternalServerError)
		return
	}
	answerBytes(w, r, status, "text/html; charset=utf-8", buffer.Bytes())
}

type pageView struct {
	frame
	Page     pageOf
	Pages    []pageOf
	Scripts  []string
	Notice   string
	Picture  template.JS // the first picture, so that the page need not ask for it
	Age      string      // of the picture, in seconds
	Day      template.JS // on the page of the day: what [today.Today] has
	Headline string      // on the page of the day: the same in words
	Sections []text.Section
	Reload   int // after how many seconds the page loads itself again where there is no script
	At, Zone string
	Alarms   []alarmView
	Covered  int
	Places   []placeView
	Sensors  []sensorView
	Humidity *humidityView // on the page of an enclosure's humidity
	Try      *tryView      // on the page that tries other limits
	Panels   []panelView   // of the configuration
	Cautions []string      // of the care profiles in use
}

type alarmView struct{ Name, State, Priority, Since, Reason, Action string }

type placeView struct {
	ID, Title, Stage string
	Points           []pointView
}

// panelView is a panel of the trends without its drawing: the values of now, and the readings of its span as a file.
type panelView struct {
	Title, Span, Readings string
	Points                []pointView
}

var spanWords = map[string]string{"1d": "the last day", "1w": "the last week", "1m": "the last month", "1y": "the last year"}

type pointView struct{ Place, Quantity, Value, Zone, Band, Since, Certainty, Class string }

type sensorView struct{ ID, Last, Calibration, Error string }

// servePage writes the frame of a page and, for readers without script or where the pages have not been built, the current
// values as plain tables.
func (s *site) servePage(w http.ResponseWriter, r *http.Request, p pageOf) {
	display := displayOf(r, s.Current.Get())
	view := s.viewOf(s.Current.Get(), display)
	view.frame, view.Page, view.Pages, view.Reload = s.frameOf(r), p, pages, 10
	if p.Name == "today" {
		view.Reload = 60 // it is read from the history
		s.addDay(r.Context(), &view, s.Current.Get(), display)
	}
	if view.Built {
		for _, name := range s.assets.manifest.Pages[p.Name] {
			if path.Ext(name) == ".css" {
				view.Styles = append(slices.Clip(view.Styles), name)
			} else {
				view.Scripts = append(view.Scripts, name)
			}
		}
		view.Notice = s.assets.manifest.Notice
		if picture := s.Current.Get(); !picture.At.IsZero() {
			// encoding/json writes no <, so nothing in it can end the element.
			view.Picture = template.JS(s.encodedNow(picture, visitorOf(r).mayAct()))
			view.Age = strconv.FormatFloat(s.fresh.age().Seconds(), 'f', 3, 64)
		}
	}
	if p.Name == "try" {
		view.Reload, view.Try = 60, s.tryPlain(display)
	}
	if p.of.place != nil {
		view.Humidity = s.humidityPlain(r.Context(), p.of)
	}
	of := page
	if p.Name == "wall" && view.Built {
		of = wallPage
	}
	s.render(w, r, http.StatusOK, of, view)
}

// lookOf returns the look that the reader has chosen, "" for none.
func lookOf(r *http.Request) string {
	if cookie, err := r.Cookie("dewline-look"); err == nil && (cookie.Value == "light" || cookie.Value == "dark") {
		return cookie.Value
	}
	return ""
}

// displayOf returns the unit of temperature that the reader has chosen, else the site's.
func displayOf(r *http.Request, p *status.Snapshot) quantity.Unit {
	if cookie, err := r.Cookie("dewline-temperature"); err == nil {
		switch cookie.Value {
		case quantity.Celsius.Symbol():
			return quantity.Celsius
		case quantity.Fahrenheit.Symbol():
			return quantity.Fahrenheit
		}
	}
	return p.Display
}

func (s *site) viewOf(p *status.Snapshot, display quantity.Unit) pageView {
	location := p.Zone()
	at := func(t time.Time) string { return t.In(location).Format("2 Jan 15:04") }
	v := pageView{At: p.At.In(location).Format("2 January 2006, 15:04:05"), Zone: location.String()}
	configured := s.Site()
	v.Cautions = cautionsOf(configured)
	v.Alarms, v.Covered = s.alarmsOf(p, s.placesNow(p, configured), at)
	for i := range p.Points {
		point := &p.Points[i]
		k := slices.IndexFunc(v.Places, func(place placeView) bool { return place.ID == point.Point.Place })
		if k < 0 {
			label := ""
			if point.Cohort != "" {
				label = point.Cohort + ", " + point.Stage.String()
			}
			k = len(v.Places)
			v.Places = append(v.Places, placeView{ID: point.Point.Place, Title: s.titleOf(point.Point.Place), Stage: label})
		}
		v.Places[k].Points = append(v.Places[k].Points, viewOfPoint(point, display, at))
	}
	v.Panels = s.panelsOf(p, display, at)
	for _, sensor := range p.Sensors {
		view := sensorView{ID: sensor.ID, Last: "never", Error: sensor.LastError, Calibration: calibrationsIn(p, sensor.ID, display, location)}
		if !sensor.LastSuccess.IsZero() {
			view.Last = sensor.LastSuccess.In(location).Format("15:04:05")
		}
		v.Sensors = append(v.Sensors, view)
	}
	return v
}

func (s *site) panelsOf(p *status.Snapshot, display quantity.Unit, at func(time.Time) string) (views []panelView) {
	for _, panel := range p.Panels {
		view, q := panelView{Title: panel.Title, Span: spanWords[panel.Span]}, url.Values{}
		for _, point := range slices.Concat(panel.Charts...) {
			if state := stateOf(p, point); state != nil {
				row := viewOfPoint(state, display, at)
				row.Place = s.titleOf(point.Place)
				view.Points = append(view.Points, row)
				q.Add("point", point.String())
			}
		}
		q.Set("from", back(panel.Span, p.At).UTC().Format(time.RFC3339))
		q.Set("to", p.At.UTC().Format(time.RFC3339))
		view.Readings = "/api/readings.csv?" + q.Encode()
		views = append(views, view)
	}
	return views
}

// back returns the begin of the span of a panel that ends at a time.
func back(span string, end time.Time) time.Time {
	days := map[string]int{"1w": 7, "1m": 30, "1y": 365}[span]
	return end.Add(-24 * time.Hour * time.Duration(max(days, 1)))
}

// alarmsOf lists what a person should see, the most pressing first, and counts what is silent.
func (s *site) alarmsOf(p *status.Snapshot, places []PlaceNow, at func(time.Time) string) (shown []alarmView, silent int) {
	var alarms []*watch.AlarmState
	for i := range p.Alarms {
		switch a := &p.Alarms[i]; a.Letter {
		case isa.Normal:
		case isa.Shelved, isa.SuppressedByDesign, isa.OutOfService:
			silent++
		default:
			alarms = append(alarms, a)
		}
	}
	slices.SortStableFunc(alarms, func(a, b *watch.AlarmState) int { return cmp.Compare(b.Priority, a.Priority) })
	for _, a := range alarms {
		since := ""
		if !cmp.Or(a.Since, instant.None).IsNone() {
			since = at(a.Since.Time())
		}
		action := strings.Join(text.AdviceOn(a.Quantity, a.Limit, stagesIn(places, a.Place)...).Actions, " ")
		shown = append(shown, alarmView{s.alarmTitle(a), text.State(a.Letter, a.By), a.Priority.String(), since, a.Reason, action})
	}
	return shown, silent
}

// titleOf returns what a place is called: its title, or its id where it has none.
func (s *site) titleOf(place string) string { return cmp.Or(s.Current.Get().Titles[place], place) }

// alarmTitle says an alarm by place, quantity and limit; a fault by its name.
func (s *site) alarmTitle(a *watch.AlarmState) string {
	if a.Place == journal.FaultPlace {
		return a.Name
	}
	words := strings.NewReplacer("-", " ")
	return fmt.Sprintf("%s, %s: %s", s.titleOf(a.Place), words.Replace(a.Quantity), words.Replace(a.Limit))
}

// cautionsOf lists the cautions of the care profiles that are in use.
func cautionsOf(site *watch.Site) []string {
	var cautions []string
	for i := range site.Intervals {
		profile := site.Profiles[site.Intervals[i].Profile]
		if profile == nil || profile.Caution == "" {
			continue
		}
		title := cmp.Or(profile.Title, profile.ID)
		if caution := title + ": " + profile.Caution; !slices.Contains(cautions, caution) {
			cautions = append(cautions, caution)
		}
	}
	return cautions
}

func viewOfPoint(s *watch.PointState, display quantity.Unit, at func(time.Time) string) pointView {
	q := s.Point.Quantity
	unit, decimals := q.Keeper(display), q.Decimals()
	v := pointView{Quantity: strings.ReplaceAll(q.String(), "-", " "), Value: "no data", Zone: s.Zone.String(), Certainty: string(s.Certainty), Class: "in"}
	if !status.Stale(s) {
		v.Value = unit.Print(s.Value, decimals)
	}
	if !cmp.Or(s.Since, instant.None).IsNone() {
		v.Since = at(s.Since.Time())
	}
	switch {
	case s.Zone == watch.UnknownZone:
		v.Class = "unknown"
	case s.Band.Empty():
		v.Zone, v.Certainty = "no band", ""
	case s.Zone.Outside():
		v.Class = "out"
	}
	low, high := edge(&s.Band, care.Low, care.CriticalLow), edge(&s.Band, care.High, care.CriticalHigh)
	text := func(x float64) string { return fmt.Sprintf("%.*f", decimals, unit.FromCanonical(x)) }
	switch {
	case !math.IsNaN(low) && !math.IsNaN(high):
		v.Band = text(low) + "–" + text(high)
	case !math.IsNaN(low):
		v.Band = "at least " + text(low)
	case !math.IsNaN(high):
		v.Band = "at most " + text(high)
	}
	return v
}

// edge returns the inner limit, or the critical one where there is no inner one.
func edge(b *care.Band, inner, outer care.Limit) float64 {
	if b.Has(inner) {
		return b.Limits[inner]
	}
	return b.Limits[outer]
}

// calibrationsIn says what is in force for the channels of a sensor.
func calibrationsIn(p *status.Snapshot, sensor string, display quantity.Unit, location *time.Location) string {
	words := control.Words{Location: location, Temperature: display}
	var sentences []string
	for i := range p.Calibrations {
		if c := control.CalibrationOf(&p.Calibrations[i], instant.Of(p.At)); c.Sensor == sensor {
			sentences = append(sentences, words.Calibration(&c))
		}
	}
	return strings.Join(sentences, ". ")
}
