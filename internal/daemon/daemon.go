// Package daemon runs dewline: it reads the sensors, feeds their samples and the time to the core, carries out the core's
// effects, and runs the notifiers and the local servers.
//
//	err := daemon.Run(ctx, daemon.Options{Config: "dewline.yaml", Log: log})
//
// It is the only package that wires the others together; it decides nothing about alarms itself. One goroutine owns the core
// ([loop]). Everything that may block has a goroutine of its own and talks to the loop through a bounded channel.
package daemon

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"reflect"
	"sync"
	"time"

	"dewline/dashboards"
	"dewline/internal/assemble"
	"dewline/internal/config"
	"dewline/internal/core/intake"
	"dewline/internal/core/quantity"
	"dewline/internal/rehearse"
	"dewline/internal/server/auth"
	"dewline/internal/server/control"
	"dewline/internal/server/metrics"
	"dewline/internal/server/web"
	"dewline/internal/sim"
	"dewline/internal/store"
)

// Options of the daemon. Site or Config is required, everything else has a usable zero value.
type Options struct {
	Config  string       // path of the configuration, read again on reload
	Site    *config.Site // used instead of reading Config at the start
	Log     *slog.Logger // nil means silent
	Console io.Writer    // gets alarms as readable lines; nil means no console
	Sys     string       // root of the kernel's files; "" means /sys
	Root    string       // root of the file tree with the devices (dev/i2c-N); "" means /
	Clock   Clock        // nil means the machine's
	World   *sim.World   // the simulated room, for the demo
	Version string
	Reload  <-chan struct{}       // each message reads the configuration again
	Ready   func(Addresses)       // called once everything has started
	Opening func(config.Overview) // gets what is watched, at the start and after a reload; may be nil
	Notify  func(state string)    // reports to the service manager (sd_notify(3)); nil means there is none
}

// Addresses are where the daemon can be reached.
type Addresses struct {
	Web, Broker, Socket string
}

// WatchdogEvery is how often the daemon reports to the service manager that the loop makes progress.
const WatchdogEvery = 15 * time.Second

// Run runs until ctx ends, then stops in good order.
func Run(ctx context.Context, o Options) error {
	o.fill()
	site := o.Site
	if site == nil {
		loaded, problems := config.Load(o.Config)
		for _, p := range problems {
			o.Log.Warn("configuration", "problem", p.String())
		}
		if err := problems.Err(); err != nil {
			return err
		}
		site = loaded
	}
	claims, err := claimSite(&o, site)
	if err != nil {
		return err
	}
	defer claims.release()
	l := newLoop(o, site, newRun())
	l.claims = claims
	return l.run(ctx)
}

func (o *Options) fill() {
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	o.Sys, o.Root = cmp.Or(o.Sys, "/sys"), cmp.Or(o.Root, "/")
	if o.Clock == nil {
		o.Clock = KernelClock()
	}
	if o.Notify == nil {
		o.Notify = func(string) {}
	}
	if o.Ready == nil {
		o.Ready = func(Addresses) {}
	}
}

// newRun returns an identity for this run of the daemon.
func newRun() string {
	var b [4]byte
	_, _ = rand.Read(b[:]) // never fails (crypto/rand)
	return hex.EncodeToString(b[:])
}

// servers are the daemon's local servers: the web server and the control socket.
type servers struct {
	*common
	socket  string // of the configuration
	history web.History
	trying  *rehearse.Runner // nil without a history
	access  *auth.Authenticator
	web     *web.Server
	control *control.Server
	wait    sync.WaitGroup
}

// openServers opens the web server and the control socket. One that cannot be opened is reported and left out: alarming
// goes on without it.
func openServers(shared *common, site *config.Site, db *store.Store) (*servers, error) {
	f := &servers{common: shared, socket: site.Control.Socket, history: historyOf(db)}
	if db != nil {
		f.trying = rehearse.New(rehearse.Options{Site: shared.inForce.Load, Store: db, Sources: shared.recordSources, Now: shared.now})
	}
	var sessions auth.Options
	if site.History.Path != "" { // so that the sessions of the pages survive a restart
		sessions.SessionFile = site.History.Path + ".sessions"
		sessions.Failed = func(err error) { f.options.Log.Warn("the pages", "err", err) }
	}
	f.access = auth.New(sessions)
	f.setUsers(&site.Web)
	problem := f.openWeb(&site.Web)
	socket, err := control.Listen(f.socket, &f.current, f.command, web.PairsOf(f.history, f.watched.Load), f.options.Log)
	if err != nil {
		return f, errors.Join(problem, err)
	}
	f.control = socket
	f.serve(f.options.Log, "control", socket.Serve)
	return f, problem
}

// setUsers puts the users of the pages in force. One whose file cannot be used is reported and left out.
func (f *servers) setUsers(w *config.Web) {
	var files []auth.UserFiles
	for _, u := range w.Users {
		files = append(files, auth.UserFiles{Name: u.Name, Role: u.Role, HashFile: u.PasswordHashFile, TokenFile: u.TokenFile})
	}
	users, err := auth.ReadUsers(files)
	if err != nil {
		f.options.Log.Error("the pages", "err", err)
	}
	f.access.SetUsers(users, len(w.Users) > 0)
}

func (f *servers) openWeb(w *config.Web) error {
	server, err := web.Listen(web.Options{
		Listen: w.Listen, Hosts: w.Hosts, Access: f.access, CertificateFile: w.CertificateFile, KeyFile: w.KeyFile, BehindProxy: w.BehindProxy,
		TrustedProxies: w.TrustedProxies,
		Current:        &f.current, Metrics: metrics.Handler(&f.current, f.options.Version), Healthy: f.healthy,
		Site: f.watched.Load, Command: f.command, History: f.history, Pages: dashboards.Pages(), Log: f.options.Log,
		Rehearser: f.rehearser(),
	})
	if err != nil {
		return err
	}
	f.web = server
	f.serve(f.options.Log, "web", server.Serve)
	return nil
}

// reconfigure puts new users in force, and reopens the web server if anything else in its configuration has changed. Logins
// stay valid, except those of users that have changed.
func (f *servers) reconfigure(old, site *config.Web) error {
	f.setUsers(site)
	before, now := *old, *site
	before.Users, now.Users = nil, nil
	if reflect.DeepEqual(before, now) && f.web != nil {
		return nil
	}
	if f.web != nil {
		_ = f.web.Close() // what is still open then is cut off, as it should be
		f.web = nil
	}
	return f.openWeb(site)
}

// addresses returns where the daemon can be reached.
func (f *servers) addresses(broker string) Addresses {
	a := Addresses{Broker: broker}
	if f.web != nil {
		a.Web = f.web.Addr()
	}
	if f.control != nil {
		a.Socket = f.socket
	}
	return a
}

func (f *servers) serve(log *slog.Logger, name string, serve func() error) {
	f.wait.Go(func() {
		if err := serve(); err != nil {
			log.Error("a server has ended", "server", name, "err", err)
		}
	})
}

// rehearser is what tries other limits for the pages; nil without a history.
func (f *servers) rehearser() web.Rehearser {
	if f.trying == nil {
		return nil
	}
	return f.trying
}

// recordSources are the sources by which the daemon of a site would judge recorded values of points.
func (c *common) recordSources(site *config.Site, points []quantity.Point) ([]intake.Source, error) {
	options := c.options
	options.Site = site
	return assemble.RecordSources(site, Descriptions(options), points, 0)
}

func (f *servers) close() {
	if f.trying != nil {
		f.trying.Close()
	}
	if f.web != nil {
		_ = f.web.Close() // what is still open then is cut off, as it should be
	}
	if f.control != nil {
		_ = f.control.Close()
	}
	f.wait.Wait()
	f.access.Close()
}

// errStopped answers commands that come after the loop has ended.
var errStopped = fmt.Errorf("the daemon is stopping")
