package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"dewline/internal/core/calibration"
	"dewline/internal/core/instant"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
)

// statusCommand sums up the running daemon.
type statusCommand struct {
	daemonAt
	JSON bool `name:"json" help:"Print JSON: all times in UTC."`
}

// Run prints what is watched, what is not, and what does not work. The answer is no where something needs the keeper.
func (c *statusCommand) Run(ctx context.Context, s streams) error {
	state, site, err := asked(ctx, c.daemonAt, (*control.Client).State)
	if err != nil {
		return err
	}
	if c.JSON {
		err = writeJSON(s.out, state)
	} else {
		printState(s.out, &state, site)
	}
	if err == nil && troubled(&state) {
		return errNo
	}
	return err
}

// troubled reports whether the monitor itself needs the keeper. An alarm of an enclosure is the monitor at work.
func troubled(s *control.State) bool {
	failing := s.ConfigRefused || s.History != nil && s.History.LastError != ""
	for i := range s.Notifiers {
		failing = failing || s.Notifiers[i].Failure != ""
	}
	return failing
}

func printState(w io.Writer, s *control.State, site show) {
	printEach(w, "", s.Watched)
	printEach(w, "look at this: ", s.Unwatched)
	switch {
	case s.Active == 0 && s.ToAcknowledge == 0:
		fmt.Fprintln(w, "no alarm is active")
	default:
		fmt.Fprintf(w, "alarms: %d active, %d to acknowledge: dewline alarm list\n", s.Active, s.ToAcknowledge)
	}
	for i := range s.Notifiers {
		fmt.Fprintln(w, notifierLine(&s.Notifiers[i], site))
	}
	for i := range s.Calibrations {
		if c := &s.Calibrations[i]; c.Overdue || c.Lapsed {
			fmt.Fprintln(w, "look at this: "+site.words().Calibration(c)+": compare it again with dewline calibrate")
		} else if c.Origin != calibration.None {
			fmt.Fprintln(w, site.words().Calibration(c))
		}
	}
	fmt.Fprintln(w, clockLine(s))
	fmt.Fprintln(w, historyLine(s.History))
	if s.Export != nil {
		fmt.Fprintln(w, exportLine(s.Export, site))
	}
	fmt.Fprintln(w, "running since "+site.time(s.Started)+", with the configuration in force since "+site.time(s.ConfigInForce))
	if s.ConfigRefused {
		fmt.Fprintln(w, "the last configuration was refused, and the one before it holds: see dewline check")
	}
}

func notifierLine(n *control.NotifierStatus, site show) string {
	since := func(words string, at instant.Instant) string {
		if at.IsNone() {
			return ""
		}
		return words + site.time(at)
	}
	if n.Failure != "" {
		return fmt.Sprintf("%s does not deliver%s: %s; %d waiting%s", n.Notifier, since(" since ", n.FailingSince), n.Failure, n.Pending,
			since(", the last one accepted at ", n.LastSent))
	}
	if n.LastSent.IsNone() {
		return n.Notifier + " is ready, and has sent nothing since the start: try it with dewline alarm test"
	}
	return n.Notifier + " works: the last message was accepted at " + site.time(n.LastSent)
}

func clockLine(s *control.State) string {
	if s.ClockConfirmed {
		return "the clock is right"
	}
	return "the clock is not confirmed yet: is there a network, and a time service? Until then only what leaves the limits of day and night alike is an alarm"
}

func historyLine(h *status.History) string {
	switch {
	case h == nil:
		return "no history is kept: the configuration has no history"
	case h.LastError != "":
		return "the history is not written: " + h.LastError
	}
	return fmt.Sprintf("the history has %.1f MB; %d readings wait to be written", float64(h.Bytes)/1e6, h.Pending)
}

// exportLine says how far the export to a metrics store has come. One that fails is nothing that a keeper has to see to at once, since all
// of it is sent later.
func exportLine(e *control.ExportState, site show) string {
	behind := (time.Duration(e.BehindSeconds) * time.Second).String()
	refused := ""
	if e.Refused > 0 {
		refused = fmt.Sprintf("; %d samples were refused for good", e.Refused)
	}
	switch {
	case e.Error != "" && !e.FailingSince.IsNone():
		return fmt.Sprintf("the metrics store takes nothing since %s: %s; %s of readings wait, and are sent later%s", site.time(e.FailingSince), e.Error, behind, refused)
	case e.Waiting != "":
		return "the export to the metrics store waits: " + e.Waiting + refused
	case e.LastSent.IsNone():
		return "nothing has been exported to the metrics store since the start" + refused
	}
	return fmt.Sprintf("the metrics store has all but the last %s%s", behind, refused)
}
