package control

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/deliver/text"
	"dewline/internal/server/status"
)

const maxRequestBytes = 64 << 10

// Commander carries out a command in the core and returns what became of it.
type Commander func(ctx context.Context, cmd watch.Command) (Response, error)

// Server serves the socket.
type Server struct {
	http     *http.Server
	listener net.Listener
}

// Listen opens the socket at path. A socket that a dead daemon left behind is replaced; one that answers is not. past is what comparisons look back on; nil
// where no history is kept.
func Listen(path string, current *status.Current, command Commander, past Comparer, log *slog.Logger) (*Server, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	if err := removeDead(path); err != nil {
		return nil, err
	}
	listener, err := private.Listen(context.Background(), "unix", path)
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	return &Server{listener: listener, http: newHTTP(current, command, past, log)}, nil
}

// private makes sockets that only their owner may open. On Linux the file that bind(2) makes takes its mode from the
// socket, so that it is private from its first instant; a mask would hold for the whole process and everything else that
// it creates at that moment.
var private = net.ListenConfig{Control: func(_, _ string, c syscall.RawConn) error {
	var failed error
	if err := c.Control(func(fd uintptr) { failed = syscall.Fchmod(int(fd), 0o600) }); err != nil {
		return err
	}
	return failed
}}

func newHTTP(current *status.Current, command Commander, past Comparer, log *slog.Logger) *http.Server {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /alarms", func(w http.ResponseWriter, r *http.Request) { answer(w, http.StatusOK, Alarms(current.Get())) })
	mux.HandleFunc("GET /cohorts", func(w http.ResponseWriter, r *http.Request) {
		answer(w, http.StatusOK, Cohorts(current.Get().Animals, instant.Of(current.Get().At)))
	})
	mux.HandleFunc("GET /calibrations", func(w http.ResponseWriter, r *http.Request) {
		answer(w, http.StatusOK, CalibrationsOf(current.Get().Calibrations, instant.Of(current.Get().At)))
	})
	mux.HandleFunc("GET /compare", func(w http.ResponseWriter, r *http.Request) {
		comparison, err := CompareRequestOf(r.URL.Query()).Compare(r.Context(), current.Get(), past)
		if err != nil {
			answer(w, http.StatusBadRequest, Response{Reason: err.Error()})
			return
		}
		answer(w, http.StatusOK, comparison)
	})
	mux.HandleFunc("GET /site", func(w http.ResponseWriter, r *http.Request) { answer(w, http.StatusOK, siteOf(current.Get())) })
	mux.HandleFunc("GET /status", func(w http.ResponseWriter, r *http.Request) { answer(w, http.StatusOK, StateOf(current.Get())) })
	mux.HandleFunc("GET /outlets", func(w http.ResponseWriter, r *http.Request) {
		answer(w, http.StatusOK, NotifierStatuses(current.Get()))
	})
	mux.HandleFunc("POST /command", func(w http.ResponseWriter, r *http.Request) { handleCommand(w, r, current, command) })
	return &http.Server{
		Handler: mux, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second,
		IdleTimeout: time.Minute, MaxHeaderBytes: 8 << 10, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}

// removeDead removes a socket on which no process listens.
func removeDead(path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("control socket: %w", err)
	}
	if info.Mode().Type() != os.ModeSocket {
		return fmt.Errorf("control socket %s: there is something else of that name, which is left alone", path)
	}
	conn, err := net.DialTimeout("unix", path, time.Second)
	switch {
	case err == nil:
		conn.Close()
		return fmt.Errorf("control socket %s: a daemon is running there already", path)
	case errors.Is(err, os.ErrNotExist): // its owner has just removed it
		return nil
	case !errors.Is(err, syscall.ECONNREFUSED): // a process listens, and is too busy to answer or another program
		return fmt.Errorf("control socket %s: it is in use, and does not answer: stop what holds it: %w", path, err)
	}
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("control socket: removing what a dead daemon left behind: %w", err)
	}
	return nil
}

// Serve answers until Close.
func (s *Server) Serve() error {
	if err := s.http.Serve(s.listener); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// Close stops serving and removes the socket. Requests under way have a second to end.
func (s *Server) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if err := s.http.Shutdown(ctx); err != nil {
		return s.http.Close()
	}
	if err := s.listener.Close(); !errors.Is(err, net.ErrClosed) { // open still where Serve was never called
		return err
	}
	return nil
}

func handleCommand(w http.ResponseWriter, r *http.Request, current *status.Current, command Commander) {
	data, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxRequestBytes))
	if err != nil {
		code := http.StatusBadRequest
		if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
			code = http.StatusRequestEntityTooLarge
		}
		answer(w, code, Response{Reason: "reading the request: " + err.Error()})
		return
	}
	request, err := decodeRequest(data)
	if err != nil {
		answer(w, http.StatusBadRequest, Response{Reason: "the request is not understood: " + err.Error()})
		return
	}
	cmd, err := request.Command(ClockOf(current.Get()))
	if err != nil {
		answer(w, http.StatusBadRequest, Response{Reason: err.Error()})
		return
	}
	response, err := command(r.Context(), cmd)
	switch {
	case err != nil:
		answer(w, http.StatusServiceUnavailable, Response{Reason: err.Error()})
	case !response.Done:
		answer(w, http.StatusConflict, response)
	default:
		answer(w, http.StatusOK, response)
	}
}

func answer(w http.ResponseWriter, code int, value any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(value) // this fails only if the caller has hung up
}

// Alarms lists the alarms of a picture.
func Alarms(p *status.Snapshot) []Alarm {
	values := map[string]float64{}
	for i := range p.Points {
		if s := &p.Points[i]; !status.Stale(s) {
			values[s.Point.String()] = s.Value
		}
	}
	list := make([]Alarm, 0, len(p.Alarms))
	for i := range p.Alarms {
		a := &p.Alarms[i]
		shown := AlarmOf(a)
		if value, ok := values[a.Place+"/"+a.Quantity]; ok {
			shown.Value = &value
		}
		list = append(list, shown)
	}
	return list
}

// ClockOf returns the time zone of a site and its time now, by which the times of requests are read.
func ClockOf(p *status.Snapshot) (*time.Location, time.Time) {
	return p.Zone(), p.At
}

func siteOf(p *status.Snapshot) Site {
	s := Site{Site: p.Site, Timezone: p.Zone().String(), Temperature: quantity.Celsius.Symbol(), Places: p.Titles}
	if p.Display != quantity.NoUnit {
		s.Temperature = p.Display.Symbol()
	}
	return s
}

// AlarmOf shows one alarm.
func AlarmOf(a *watch.AlarmState) Alarm {
	return Alarm{
		Alarm: a.Name, State: a.Letter, Words: text.State(a.Letter, a.By), Priority: a.Priority.String(), Active: a.Active,
		Occurrence: a.Occurrence, Since: a.Since, Raised: a.Raised, Cleared: a.Cleared, Until: a.Until, By: a.By,
		Unit: unitOf(a), Setpoint: quantity.Known(a.Setpoint), Extreme: quantity.Known(a.Extreme), Repeats: a.Repeats, Names: a.Names, Reason: a.Reason, Doubt: a.Doubt,
		Expected: a.Expected,
	}
}

// Notifiers lists the notifiers of a snapshot.
func NotifierStatuses(p *status.Snapshot) []NotifierStatus {
	list := []NotifierStatus{}
	for i := range p.Notifiers {
		o := &p.Notifiers[i]
		shown := NotifierStatus{
			Notifier: o.Name, Connected: o.Connected, Pending: o.Pending, Oldest: instant.OfKnown(o.Oldest), LastSent: instant.OfKnown(o.LastSent), Failure: o.Failure,
			FailingSince: instant.OfKnown(o.FailingSince),
		}
		if o.Test.Event != "" {
			shown.Test = &Test{Event: o.Test.Event, State: o.Test.State, Reason: o.Test.Reason}
		}
		list = append(list, shown)
	}
	return list
}

func unitOf(a *watch.AlarmState) string {
	q, err := quantity.Parse(a.Quantity)
	if err != nil || a.Place == journal.FaultPlace {
		return ""
	}
	return q.Unit().Symbol()
}
