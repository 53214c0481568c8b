// Package web serves the site over HTTP: the pages, the JSON that they live on, metrics and health. It looks at the picture
// of the site and at the history from the side; the one way in is a command, which the core judges like any other.
//
//	server, err := web.Listen(web.Options{Listen: "127.0.0.1:8420", Current: current, Metrics: metrics, Site: site, …})
//	go server.Serve()
//
// There is no log-in: the server answers on loopback addresses only. Who wants to look from a phone puts a proxy of the
// distribution with its own log-in before it, and names that proxy's host in Options.Hosts.
package web

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"dewline/internal/control"
	"dewline/internal/instant"
	"dewline/internal/quantity"
	"dewline/internal/status"
	"dewline/internal/watch"
)

// Options of the server. Listen, Current and Metrics are required; what else is left out is missing on the pages, which say
// so.
type Options struct {
	Listen  string // host:port; the host must be a loopback address
	Hosts   []string
	Current *status.Current // swapped at least every five seconds: a picture older than that is shown as lost
	Metrics http.Handler
	// Healthy tells what keeps the daemon from doing its job, nil for nothing.
	Healthy func() error

	// Site returns the configuration in force. nil means that places, bands and exposure of the past are not known.
	Site func() *watch.Site
	// Title returns what a place is called beside its id, "" for nothing.
	Title func(place string) string
	// Command carries out what a person asks for on a page. nil refuses everything.
	Command control.Commander
	// History answers questions about the past. nil means that none is kept.
	History History
	// Bands returns the bands of a point as they were, in order of time. nil works them out from Site and the stage
	// changes of the journal, which is right as long as the configuration has not changed.
	Bands func(ctx context.Context, point quantity.Point, from, to instant.Instant) ([]BandSpan, error)
	// Pages are the built pages; nil leaves the plain page that needs no script, which says so.
	Pages fs.FS

	Log *slog.Logger // nil means silent
}

// Server is the HTTP server.
type Server struct {
	http     *http.Server
	listener net.Listener
	site     *site
	stop     context.CancelFunc
	watching sync.WaitGroup
}

// Listen opens the address.
func Listen(o Options) (*Server, error) {
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return nil, fmt.Errorf("web address %q: %w", o.Listen, err)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("web address %q is not a loopback address: the pages have no log-in, so others must not reach them", o.Listen)
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s, err := newSite(o)
	if err != nil {
		return nil, err
	}
	listener, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return nil, fmt.Errorf("web server: %w", err)
	}
	ctx, stop := context.WithCancel(context.Background())
	server := &Server{listener: listener, site: s, stop: stop, http: &http.Server{
		Handler: s.handler(), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
		WriteTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
		ErrorLog: slog.NewLogLogger(o.Log.Handler(), slog.LevelDebug),
		// Streams end with this context; without it they would hold up the end of the server.
		BaseContext: func(net.Listener) context.Context { return ctx },
	}}
	server.watching.Go(func() { s.fresh.watch(ctx, o.Current) })
	return server, nil
}

// Addr returns the address that was opened.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Serve answers until Close.
func (s *Server) Serve() error {
	if err := s.http.Serve(s.listener); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("web server: %w", err)
	}
	return nil
}

// Close ends the streams and lets requests under way finish for a second.
func (s *Server) Close() error {
	s.stop()
	s.watching.Wait()
	ctx, stop := context.WithTimeout(context.Background(), time.Second)
	defer stop()
	if err := s.http.Shutdown(ctx); err != nil {
		return s.http.Close()
	}
	return nil
}

// site is what the handlers share.
type site struct {
	Options
	assets *assets
	fresh  freshness
	now    nowCache
	folds  chan struct{} // one exposure is computed at a time: the board has few cores, and alarming goes first
	lives  chan struct{} // bounds the streams
}

const mostStreams = 24

func newSite(o Options) (*site, error) {
	s := &site{Options: o, folds: make(chan struct{}, 1), lives: make(chan struct{}, mostStreams)}
	if o.Pages != nil {
		loaded, err := loadAssets(o.Pages)
		if err != nil {
			return nil, fmt.Errorf("the built pages: %w", err)
		}
		s.assets = loaded
	}
	return s, nil
}

func (s *site) handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", s.Metrics)
	mux.HandleFunc("GET /health", s.serveHealth)
	for _, p := range pages {
		mux.HandleFunc("GET "+p.Path, func(w http.ResponseWriter, r *http.Request) { s.servePage(w, r, p) })
	}
	mux.HandleFunc("GET /assets/{name}", s.serveAsset)
	mux.HandleFunc("GET /api/now", s.serveNow)
	mux.HandleFunc("GET /api/live", s.serveLive)
	mux.HandleFunc("GET /api/trend", s.serveTrend)
	mux.HandleFunc("GET /api/marks", s.serveMarks)
	mux.HandleFunc("GET /api/exposure", s.serveExposure)
	mux.HandleFunc("GET /api/journal", s.serveJournal)
	mux.HandleFunc("GET /api/readings.csv", s.serveReadings)
	mux.HandleFunc("POST /api/command", s.serveCommand)
	mux.HandleFunc("GET /api/openapi.json", serveOpenAPI)
	return s.guardHost(http.NewCrossOriginProtection().Handler(secure(mux)))
}

func (s *site) serveHealth(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if s.Healthy != nil {
		if err := s.Healthy(); err != nil {
			w.WriteHeader(http.StatusServiceUnavailable)
			fmt.Fprintln(w, err)
			return
		}
	}
	fmt.Fprintln(w, "watching")
}
