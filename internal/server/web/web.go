// Package web serves the site over HTTP: the pages, the JSON that they live on, metrics and health. It looks at the picture
// of the site and at the history from the side; the one way in is a command, which the core judges like any other.
//
//	server, err := web.Listen(web.Options{Listen: "127.0.0.1:8420", Current: current, Metrics: metrics, Site: site, …})
//	go server.Serve()
//
// Without users there is no log-in, and the server answers on loopback addresses only. On any other address it does not start
// without users, and without TLS, its own or a proxy's.
package web

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"sync"
	"time"

	"dewline/internal/core/watch"
	"dewline/internal/server/auth"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
)

// Options of the server. Listen, Current, Metrics, Healthy and Site are required; what else is left out is missing on the pages, which
// say so.
type Options struct {
	Listen string   // host:port; another host than a loopback address needs Access, and TLS or BehindProxy
	Hosts  []string // names by which this server may be called, in lower case
	// Access knows who is let in. nil, or one that needs no log-in, lets everybody look and act.
	Access *auth.Authenticator
	// CertificateFile and KeyFile are for TLS; both "" means none. They are read again when they change.
	CertificateFile, KeyFile string
	// BehindProxy says that a proxy in front speaks TLS, and puts at the end of X-Forwarded-For who asks.
	BehindProxy bool
	// TrustedProxies are where such a proxy asks from; nil means this machine. What others say of who asks is not believed.
	TrustedProxies []netip.Prefix

	Current *status.Current // swapped at least every five seconds: a picture older than that is shown as lost
	Metrics http.Handler
	// Healthy returns what keeps the daemon from doing its job, nil if nothing does.
	Healthy func() error

	// Site returns the configuration in force.
	Site func() *watch.Site
	// Command carries out what a person asks for on a page. nil refuses everything.
	Command control.Commander
	// History answers questions about the past. nil means that none is kept.
	History History
	// Rehearser tries other limits on the history. nil means that it cannot be done here.
	Rehearser Rehearser
	// Pages are the built pages; nil leaves the plain page that needs no script, which says so.
	Pages fs.FS

	Log *slog.Logger // nil means silent
}

// Server is the HTTP server.
type Server struct {
	http     *http.Server
	tls      bool
	listener net.Listener
	site     *site
	stop     context.CancelFunc
	watching sync.WaitGroup
}

// Listen opens the address. It opens none that other machines reach unless they must log in, over an encrypted line.
func Listen(o Options) (*Server, error) {
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	if o.Access == nil {
		o.Access = auth.New(auth.Options{})
	}
	exposed, err := o.exposed()
	if err != nil {
		return nil, err
	}
	s, err := newSite(o)
	if err != nil {
		return nil, err
	}
	s.exposed = exposed
	var config *tls.Config
	if o.CertificateFile+o.KeyFile != "" {
		own, err := loadCertificate(o.CertificateFile, o.KeyFile, o.Log)
		if err != nil {
			return nil, fmt.Errorf("web server: %w", err)
		}
		config = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: own.get}
	}
	listener, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return nil, fmt.Errorf("web server: %w", err)
	}
	listener = newBounded(listener, s.manySpeakFrom)
	ctx, cancel := context.WithCancel(context.Background())
	server := &Server{listener: listener, site: s, stop: cancel, tls: config != nil, http: &http.Server{
		Handler: s.handler(), TLSConfig: config, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
		WriteTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
		ErrorLog: slog.NewLogLogger(o.Log.Handler(), slog.LevelDebug),
		// Streams end with this context; without it they would hold up the end of the server.
		BaseContext: func(net.Listener) context.Context { return ctx },
	}}
	server.watching.Go(func() { s.fresh.watch(ctx, o.Current) })
	return server, nil
}

// exposed reports whether other machines can reach the address, and refuses to open it to them unless they must log in, and
// passwords do not cross the network in clear.
func (o *Options) exposed() (bool, error) {
	host, _, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return false, fmt.Errorf("web address %q: %w", o.Listen, err)
	}
	if ip := net.ParseIP(host); host == "localhost" || ip != nil && ip.IsLoopback() {
		return false, nil
	}
	switch {
	case !o.Access.Needed():
		return false, fmt.Errorf("web address %q can be reached from other machines, and nobody would have to log in: configure users, or listen on 127.0.0.1", o.Listen)
	case o.Access.Usable() == 0:
		return false, fmt.Errorf("web address %q can be reached from other machines, and the files of no user can be used: see what was said of them", o.Listen)
	case (o.CertificateFile == "" || o.KeyFile == "") && !o.BehindProxy:
		return false, fmt.Errorf("web address %q can be reached from other machines, and passwords would cross the network unencrypted: configure certificate-file and key-file, or behind-proxy", o.Listen)
	}
	return true, nil
}

// Addr returns the address that was opened.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Serve answers until Close.
func (s *Server) Serve() error {
	serve := s.http.Serve
	if s.tls {
		serve = func(l net.Listener) error { return s.http.ServeTLS(l, "", "") } // the configuration has the certificate
	}
	if err := serve(s.listener); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("web server: %w", err)
	}
	return nil
}

// Close ends the streams and lets requests under way finish for a second.
func (s *Server) Close() error {
	s.stop()
	s.watching.Wait()
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if err := s.http.Shutdown(ctx); err != nil {
		return s.http.Close()
	}
	return nil
}

// site is what the handlers share.
type site struct {
	Options
	exposed bool // other machines can reach it
	logins  logPace
	silence logPace // of a history that does not answer
	assets  *assets
	fresh   freshness
	now     nowCache
	folds   chan struct{} // one exposure is computed at a time: the board has few cores, and alarming goes first
	lives   chan struct{} // bounds the streams
	humid   humidityCache
}

const maxStreams = 24

func newSite(o Options) (*site, error) {
	s := &site{
		Options: o, folds: make(chan struct{}, 1), lives: make(chan struct{}, maxStreams),
		logins: logPace{while: time.Minute, most: 12}, silence: logPace{while: 10 * time.Minute, most: 1},
	}
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
	for _, p := range slices.Concat(pages, further) {
		mux.HandleFunc("GET "+p.Path, func(w http.ResponseWriter, r *http.Request) { s.servePage(w, r, p) })
	}
	mux.HandleFunc("GET /humidity/{place}", func(w http.ResponseWriter, r *http.Request) { s.serveHumidityPage(mux, w, r) })
	mux.HandleFunc("GET "+loginPath, s.serveLogin)
	mux.HandleFunc("POST "+loginPath, s.serveTry)
	mux.HandleFunc("POST "+logoutPath, s.serveLogout)
	mux.HandleFunc("GET /assets/{name}", s.serveAsset)
	mux.HandleFunc("GET "+iconPath, serveIcon)
	mux.HandleFunc("GET "+manifestPath, s.serveManifest)
	mux.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) { s.serveNothing(mux, w, r) })
	kept, tried := s.History != nil, s.Rehearser != nil
	const nothingToTry = "no history is kept here: there are no past readings to try limits on"
	mux.HandleFunc("GET /api/now", s.serveNow)
	mux.HandleFunc("GET /api/live", s.serveLive)
	mux.HandleFunc("GET /api/today", s.serveToday)
	mux.HandleFunc("GET /api/compare", s.serveCompare)
	mux.HandleFunc("GET /api/calibrations", s.serveCalibrations)
	mux.HandleFunc("GET /api/care", s.serveCare)
	mux.HandleFunc("GET /api/trend", given(kept, "no history is kept here, so there is no past to show", s.serveTrend))
	mux.HandleFunc("GET /api/humidity", given(kept, "no history is kept here, so nothing is known of the past of an enclosure", s.serveHumidity))
	mux.HandleFunc("GET /api/days", given(kept, "no history is kept here, so there is no past to show", s.serveDays))
	mux.HandleFunc("GET /api/marks", s.serveMarks)
	mux.HandleFunc("GET /api/exposure", given(kept, "no history is kept here, so there is no exposure to add up", s.serveExposure))
	mux.HandleFunc("GET /api/journal", given(kept, "no history is kept here, so there is no journal", s.serveJournal))
	mux.HandleFunc("GET /api/readings.csv", given(kept, "no history is kept here, so there are no readings", s.serveReadings))
	mux.HandleFunc("POST /api/command", s.serveCommand)
	mux.HandleFunc("GET /api/try", given(tried, nothingToTry, s.serveTrying))
	mux.HandleFunc("POST /api/try", given(tried, nothingToTry, s.serveTryBegin))
	mux.HandleFunc("DELETE /api/try", given(tried, nothingToTry, s.serveTryEnd))
	mux.HandleFunc("GET /api/try.yaml", given(tried, nothingToTry, s.serveTryLines))
	mux.HandleFunc("GET /api/openapi.json", serveOpenAPI)
	origins := http.NewCrossOriginProtection()
	if s.BehindProxy { // which may hand requests on under another name than the browser knows
		for _, host := range s.Hosts {
			if err := origins.AddTrustedOrigin("https://" + host); err != nil {
				s.Log.Error("a host name cannot be an origin", "host", host, "err", err)
			}
		}
	}
	return s.guardProxy(s.guardHost(origins.Handler(secure(s.guardAccess(mux)))))
}

// given serves what there is something to answer from, and otherwise says why there is nothing.
func given(is bool, without string, handler http.HandlerFunc) http.HandlerFunc {
	if is {
		return handler
	}
	return func(w http.ResponseWriter, r *http.Request) { fail(w, r, http.StatusNotFound, noHistory, without) }
}

// ills returns one line for each problem of a notifier, of the history or of the export. The health check answers 200 all the same: watching
// goes on, and a restart would not help.
func ills(p *status.Snapshot) (lines []string) {
	for _, o := range p.Notifiers {
		if o.Connected && o.LastError == "" {
			continue
		}
		line := fmt.Sprintf("notifier %s: %d waiting", o.Name, o.Pending)
		if !o.Oldest.IsZero() {
			line += " since " + o.Oldest.UTC().Format(time.RFC3339)
		}
		lines = append(lines, line+": "+cmp.Or(o.LastError, "not connected"))
	}
	if h := p.History; h != nil && h.LastError != "" {
		lines = append(lines, fmt.Sprintf("history: %d readings in memory only: %s", h.Pending, h.LastError))
	}
	if e := p.Export; e != nil && e.LastError != "" {
		lines = append(lines, fmt.Sprintf("export: %s behind: %s", e.Behind.Round(time.Second), e.LastError))
	}
	return lines
}

func (s *site) serveHealth(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if err := s.Healthy(); err != nil {
		w.WriteHeader(http.StatusServiceUnavailable)
		if !visitorOf(r).let {
			err = errors.New("not watching: log in to see why")
		}
		fmt.Fprintln(w, err)
		return
	}
	fmt.Fprintln(w, "watching")
	if visitorOf(r).let {
		for _, ill := range ills(s.Current.Get()) {
			fmt.Fprintln(w, ill)
		}
	}
}
