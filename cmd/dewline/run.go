package main

import (
	"context"
	"log/slog"
	"os"
	"os/signal"
	"syscall"
	"time"

	sddaemon "github.com/coreos/go-systemd/v22/daemon"

	"dewline/internal/config"
	"dewline/internal/daemon"
	"dewline/internal/format/timetext"
)

// runCommand watches a room.
type runCommand struct {
	Config  string            `required:"" placeholder:"FILE" help:"The configuration. SIGHUP reads it again."`
	Verbose bool              `help:"Print more."`
	For     timetext.Duration `placeholder:"5m" help:"Stop by itself after this time."`

	harnessFlags `embed:""`
}

// Run runs the daemon until ctx ends.
func (c *runCommand) Run(ctx context.Context, s streams) error {
	site, err := loadSite(c.Config, s)
	if err != nil {
		return err
	}
	ctx, cancel := lasting(ctx, time.Duration(c.For))
	defer cancel()
	signal.Ignore(syscall.SIGXFSZ) // a limit on the size of files is a full disk, and no reason to end
	reload := make(chan os.Signal, 1)
	signal.Notify(reload, syscall.SIGHUP)
	defer signal.Stop(reload)
	again := make(chan struct{}, 1)
	go func() {
		for {
			select {
			case <-reload:
				select {
				case again <- struct{}{}:
				default: // one is waiting already
				}
			case <-ctx.Done():
				return
			}
		}
	}()
	options := daemon.Options{
		Config: c.Config, Site: site, Log: logger(s, c.Verbose), Version: version, Reload: again,
		Sys: "/sys", Root: "/",
		Opening: func(o config.Overview) { open(s, o) },
		Notify: func(state string) {
			_, _ = sddaemon.SdNotify(false, state) // an error means that no service manager runs it
		},
	}
	if err := c.harnessFlags.apply(&options); err != nil {
		return err
	}
	if s.terminal {
		options.Console = s.err
	}
	return daemon.Run(ctx, options)
}

// open prints what is watched, what is not, and which notifiers take which alarms. A terminal gets plain text, journald a
// priority before each line (sd-daemon(3)).
func open(s streams, o config.Overview) {
	info, warning := "<6>", "<4>"
	if s.terminal {
		info, warning = "", "warning: "
	}
	good, bad := o.Lines()
	printEach(s.err, info, good)
	printEach(s.err, warning, bad)
}

// logger writes for people on a terminal. Otherwise it writes key=value lines with the priority prefix that journald reads
// (sd-daemon(3)), and leaves the time to journald.
func logger(s streams, verbose bool) *slog.Logger {
	level := slog.LevelInfo
	if verbose {
		level = slog.LevelDebug
	}
	if s.terminal {
		if !verbose {
			level = slog.LevelWarn // the console prints alarms itself
		}
		return slog.New(slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: level, ReplaceAttr: shortTime}))
	}
	return slog.New(newJournalHandler(s.err, level))
}

func shortTime(groups []string, a slog.Attr) slog.Attr {
	if a.Key == slog.TimeKey && len(groups) == 0 {
		return slog.String(slog.TimeKey, a.Value.Time().Format("15:04:05"))
	}
	return a
}
