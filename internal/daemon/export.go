package daemon

import (
	"context"
	"fmt"
	"sync"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
	"dewline/internal/deliver/remotewrite"
	"dewline/internal/server/status"
)

// exportPatience is how long an export may fail before that is written down. It asks no person to get up: all of it is sent later.
const exportPatience = 24 * time.Hour

// export is the way to a metrics store. Its goroutine reads from the history what the loop has written, and nothing waits for it.
type export struct {
	*common
	exporter *remotewrite.Exporter // nil where nothing is exported
	broken   string                // why there is no exporter although one is configured
	cancel   context.CancelFunc
	done     sync.WaitGroup
	failing  time.Time // since when; zero while it does not fail
	reported bool      // the failure is written down
}

// start begins to export, if the configuration asks for it and there is a history.
func (x *export) start(site *config.Site, rec *recorder) {
	r := &site.Export.RemoteWrite
	x.exporter, x.broken = nil, ""
	if !r.On() || rec.store == nil {
		return
	}
	since := instant.None
	if !r.Since.IsZero() {
		since = instant.Of(r.Since)
	}
	exporter, err := remotewrite.New(remotewrite.Options{
		Target: remotewrite.Target{
			URL: r.URL, URLFile: r.URLFile, TokenFile: r.TokenFile, Username: r.Username, PasswordFile: r.PasswordFile, CAFile: r.CAFile,
		},
		Since: since, Store: rec.store, Site: x.watched.Load, Now: x.clock.Now, Log: x.options.Log,
		Confirmed: func() bool { return x.current.Get().Confirmed },
	})
	if err != nil {
		x.broken = err.Error()
		x.options.Log.Error("nothing is exported to the metrics store", "err", err)
		return
	}
	x.exporter = exporter
	ctx, cancel := context.WithCancel(context.Background())
	x.cancel = cancel
	x.done.Go(func() {
		if err := exporter.Run(ctx); err != nil {
			x.options.Log.Error("the export has ended", "err", err)
		}
	})
}

// stop ends it. How far it has come is kept with the next write of the history.
func (x *export) stop() {
	if x.cancel != nil {
		x.cancel()
		x.done.Wait()
		x.cancel = nil
	}
}

// state returns how far it has come; nil where nothing is exported.
func (x *export) state() *status.Export {
	if x.broken != "" {
		return &status.Export{LastError: x.broken, FailingSince: x.failing}
	}
	if x.exporter == nil {
		return nil
	}
	s := x.exporter.Status()
	return &status.Export{
		Behind: s.Behind, Waiting: s.Waiting, Sent: s.Sent, Refused: s.Refused, LastSent: s.LastSent, LastError: s.Err, FailingSince: x.failing,
	}
}

// check notes since when the export fails, and returns a note for the journal: once it has failed for a day, and when it works again.
func (x *export) check() []watch.Event {
	s, now := x.state(), x.clock.Now()
	text := ""
	switch {
	case s == nil:
		x.failing, x.reported = time.Time{}, false
	case s.LastError == "":
		if x.reported {
			text = fmt.Sprintf("the metrics store takes what is exported again; %s of readings are on their way", s.Behind.Round(time.Minute))
		}
		x.failing, x.reported = time.Time{}, false
	case x.failing.IsZero():
		x.failing = now
	case !x.reported && now.Sub(x.failing) >= exportPatience:
		x.reported = true
		text = "the metrics store has taken nothing for a day, and what is exported waits in the history: " + s.LastError
	}
	if text == "" {
		return nil
	}
	return []watch.Event{{Kind: watch.CommandEvent, At: x.now(), Command: &watch.Command{Verb: watch.WriteNote, Text: text, By: "dewline"}}}
}

// shift moves the remembered time by a step of the clock.
func (x *export) shift(by time.Duration) { instant.ShiftKnown(by, &x.failing) }
