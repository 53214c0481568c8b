package web

import (
	"bufio"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
	"dewline/internal/store"
)

// JournalPage is a piece of the journal, newest first.
type JournalPage struct {
	Entries []*journal.Entry `json:"entries"`
	// Older is the value of before that gives the next older piece; 0 where there is none.
	Older uint64 `json:"older"`
}

// kindGroups are the groups of entries that a reader may ask for.
var kindGroups = map[string][]journal.Kind{
	"alarms": {
		journal.AlarmRaised, journal.AlarmCleared, journal.AlarmAcknowledged, journal.AlarmReset, journal.AlarmRepeated, journal.AlarmReminded, journal.AlarmWorsened, journal.AlarmShelved,
		journal.AlarmUnshelved, journal.AlarmSuppressed, journal.AlarmReturned, journal.AlarmDisabled, journal.AlarmEnabled,
		journal.FloodBegan, journal.FloodEnded, journal.Summary, journal.Chattering, journal.Fleeting,
	},
	"raised":   {journal.AlarmRaised, journal.AlarmCleared},
	"people":   {journal.AlarmAcknowledged, journal.AlarmReset, journal.AlarmShelved, journal.AlarmUnshelved, journal.AlarmDisabled, journal.AlarmEnabled, journal.CommandRefused, journal.Note, journal.StageSet, journal.CohortBegan, journal.CohortStage, journal.CohortMoved, journal.CohortCounted, journal.CareDone, journal.Misting, journal.SensorCalibrated, journal.SensorReplaced},
	"notes":    {journal.Note},
	"stages":   {journal.StageSet, journal.CohortBegan, journal.CohortStage, journal.CohortMoved, journal.CohortCounted},
	"mistings": {journal.Misting},
	"sensors":  {journal.SensorCalibrated, journal.SensorReplaced, journal.SensorAssigned},
	"system":   {journal.SensorAssigned, journal.RunStarted, journal.RunStopped, journal.ClockStepped, journal.ClockConfirmed, journal.ConfigChanged, journal.DailyDigest, journal.NotifierTest, journal.TestTaken, journal.Lost},
}

func (s *site) serveJournal(w http.ResponseWriter, r *http.Request) {
	q := query{values: r.URL.Query()}
	filter := store.Filter{From: q.time("from"), To: q.time("to"), Place: q.values.Get("place"), Limit: q.integer("limit", 50, 1, 500)}
	if group := q.values.Get("kinds"); group != "" && group != "all" {
		kinds, ok := kindGroups[group]
		if !ok {
			q.refuse("kinds must be all, alarms, raised, people, notes, stages, mistings, sensors or system")
		}
		filter.Kinds = kinds
	}
	if text := q.values.Get("before"); text != "" {
		before, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			q.refuse("before must be a sequence number")
		}
		filter.Before = before
	}
	if q.problem != "" {
		fail(w, r, http.StatusBadRequest, badRequest, q.problem)
		return
	}
	entries, err := s.History.Journal(r.Context(), filter)
	if err != nil {
		s.answerHistoryError(w, r, err)
		return
	}
	page := JournalPage{Entries: entries}
	if page.Entries == nil {
		page.Entries = []*journal.Entry{}
	}
	if len(entries) == filter.Limit {
		page.Older = entries[len(entries)-1].Seq
	}
	answer(w, r, http.StatusOK, page)
}

// serveReadings writes single readings in the form that `dewline replay` reads: in canonical units, or on request in those that a
// keeper reads, rounded to what no sensor resolves.
func (s *site) serveReadings(w http.ResponseWriter, r *http.Request) {
	p := s.Current.Get()
	q := query{values: r.URL.Query()}
	points := q.points(p)
	from, to := q.span(p)
	shown := q.display()
	if q.problem == "" && to.Sub(from) > maxExport {
		q.refuse("more than two years at once: use dewline export")
	}
	if q.problem != "" {
		fail(w, r, http.StatusBadRequest, badRequest, q.problem)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/csv; charset=utf-8; header=present")
	day := func(at instant.Instant) string { return at.Time().In(p.Zone()).Format("2006-01-02") }
	h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s_%s_%s.csv"`, p.Site, day(from), day(to)))
	buffered := bufio.NewWriterSize(w, 32<<10)
	rows := csv.NewWriter(buffered)
	line := http.NewResponseController(w)
	_ = rows.Write([]string{"time", "point", "value", "unit", "flag"})
	n := 0
	for _, point := range points {
		name, unit := point.String(), point.Quantity.Unit()
		if shown != quantity.NoUnit {
			unit = point.Quantity.Keeper(shown)
		}
		for reading, err := range s.History.Readings(r.Context(), point, from, to) {
			if err != nil {
				s.Log.Error("writing readings", "point", name, "err", err)
				panic(http.ErrAbortHandler) // aborts the connection, so that half a file is not taken for the whole
			}
			if n++; n%4096 == 0 {
				_ = line.SetWriteDeadline(time.Now().Add(sendLimit))
			}
			_ = rows.Write([]string{reading.At.String(), name, csvValue(reading.Value, unit, shown != quantity.NoUnit), unit.Symbol(), strconv.Itoa(int(reading.Flag))})
		}
	}
	rows.Flush()
	_ = buffered.Flush() // an error means that the client has hung up
}

// csvValue writes a value in a unit. A converted one has at most six decimals: 29.333… °C is 84.8 °F, not 84.80000000000001.
func csvValue(canonical float64, unit quantity.Unit, converted bool) string {
	if !converted {
		return strconv.FormatFloat(canonical, 'g', -1, 64)
	}
	const millionths = 1e6
	return strconv.FormatFloat(math.Round(unit.FromCanonical(canonical)*millionths)/millionths, 'f', -1, 64)
}

const maxCommandBytes = 16 << 10

// serveCommand carries out what a person asks for.
func (s *site) serveCommand(w http.ResponseWriter, r *http.Request) {
	if s.Command == nil {
		answer(w, r, http.StatusForbidden, control.Response{Reason: "commands are not allowed from the pages of this site"})
		return
	}
	who := visitorOf(r)
	if !who.mayAct() {
		s.logins.log(s.Log, slog.LevelInfo, "a viewer asked for something", "user", who.Name, "from", s.from(r))
		answer(w, r, http.StatusForbidden, control.Response{Reason: "you are logged in as " + who.Name + ", a viewer, who may look but not act: log in as an operator"})
		return
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		answer(w, r, http.StatusUnsupportedMediaType, control.Response{Reason: "a command is sent as application/json"})
		return
	}
	decoder := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxCommandBytes))
	decoder.DisallowUnknownFields()
	var request control.Request
	if err := decoder.Decode(&request); err != nil {
		answer(w, r, http.StatusBadRequest, control.Response{Reason: "the command is not understood: " + err.Error()})
		return
	}
	if request.Verb == watch.Repeat || request.Verb == watch.Remind {
		answer(w, r, http.StatusBadRequest, control.Response{Reason: "an alarm is repeated by rule, not by hand"})
		return
	}
	if request.By = strings.TrimSpace(request.By); request.By == "" {
		request.By = "the pages"
	}
	request.By = cmp.Or(who.Name, request.By) // whatever the page says
	cmd, err := request.Command(control.ClockOf(s.Current.Get()))
	if err != nil {
		answer(w, r, http.StatusBadRequest, control.Response{Reason: err.Error()})
		return
	}
	response, err := s.Command(r.Context(), cmd)
	switch {
	case err != nil:
		answer(w, r, http.StatusServiceUnavailable, control.Response{Reason: err.Error()})
	case !response.Done:
		answer(w, r, http.StatusConflict, response)
	default:
		answer(w, r, http.StatusOK, response)
	}
}
