package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"dewline/internal/format/timetext"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
)

// alarmTest sends a test notification through the notifiers of the running daemon.
type alarmTest struct {
	daemonAt
	Notifier string            `name:"outlet" placeholder:"NAME" help:"One notifier, such as mqtt, webhook or mail-2; all of them where it is not given."`
	Wait     timetext.Duration `default:"30s" help:"How long to wait for the other ends."`
}

// askAgain is how often the daemon is asked what has become of a test.
const askAgain = 200 * time.Millisecond

// Run sends the test and prints for each notifier whether it was delivered.
func (c *alarmTest) Run(ctx context.Context, s streams) error {
	client, err := c.dial(ctx)
	if err != nil {
		return err
	}
	response, err := command(ctx, client, control.Request{Verb: control.TestVerb, Notifier: c.Notifier})
	if err != nil {
		return err
	}
	notifiers, err := c.await(ctx, client, response)
	if err != nil {
		return err
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "NOTIFIER\tTEST\tWHY, AND WHAT TO DO")
	var undelivered []string
	for _, name := range response.Notifiers {
		state, why := fate(notifiers, name, response.Event)
		if state != status.TestDelivered {
			undelivered = append(undelivered, name)
		}
		fmt.Fprintf(table, "%s\t%s\t%s\n", name, state, why)
	}
	if err := table.Flush(); err != nil {
		return err
	}
	if len(undelivered) > 0 {
		return fmt.Errorf("the test has not been delivered by %s", strings.Join(undelivered, ", "))
	}
	fmt.Fprintln(s.err, "now look at the phone and the mailbox: delivered means that the other end has taken it")
	return nil
}

// await asks until all notifiers have settled the test, or the time is up.
func (c *alarmTest) await(ctx context.Context, client *control.Client, response control.Response) ([]control.NotifierStatus, error) {
	deadline := time.Now().Add(time.Duration(c.Wait))
	for {
		notifiers, err := client.Notifiers(ctx)
		if err != nil {
			return nil, err
		}
		waits := slices.ContainsFunc(response.Notifiers, func(name string) bool {
			state, _ := fate(notifiers, name, response.Event)
			return state == status.TestWaits
		})
		if !waits || time.Now().After(deadline) {
			return notifiers, nil
		}
		select {
		case <-time.After(askAgain):
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// fate returns the state of a test on a notifier and, unless it was delivered, the reason and what to do.
func fate(notifiers []control.NotifierStatus, name, event string) (state, why string) {
	i := slices.IndexFunc(notifiers, func(o control.NotifierStatus) bool { return o.Notifier == name })
	if i < 0 {
		return status.TestFailed, "the notifier has left the configuration: ask again"
	}
	o := &notifiers[i]
	switch {
	case o.Test == nil || o.Test.Event != event:
		return status.TestFailed, "another test has begun since: ask again"
	case o.Test.State == status.TestDelivered:
		return o.Test.State, ""
	case o.Test.State == status.TestFailed:
		return o.Test.State, o.Test.Reason + ": put it right in the configuration, or at the other end, and test again"
	case o.Failure != "":
		return o.Test.State, o.Failure + ": it is tried again and again; the log has more"
	case o.Pending > 1:
		return o.Test.State, fmt.Sprintf("%d messages wait to be sent: look again with a longer --wait", o.Pending)
	}
	return o.Test.State, "the other end has not answered yet: look again with a longer --wait"
}

// failing lists the notifiers that do not deliver, in words.
func failing(notifiers []control.NotifierStatus) (lines []string) {
	for i := range notifiers {
		if o := &notifiers[i]; o.Failure != "" {
			line := fmt.Sprintf("notifier %s does not deliver: %s", o.Notifier, o.Failure)
			if since := o.FailingSince; !since.IsNone() {
				line = fmt.Sprintf("notifier %s has not delivered since %s: %s", o.Notifier, since, o.Failure)
			}
			lines = append(lines, line)
		}
	}
	return lines
}
