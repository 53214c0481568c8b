package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/user"
	"strings"
	"text/tabwriter"
	"time"

	"dewline/internal/config"
	"dewline/internal/control"
	"dewline/internal/watch"
)

// alarmCommand talks to the running daemon about its alarms.
type alarmCommand struct {
	List        alarmList        `cmd:"" help:"List the alarms that are not normal."`
	Acknowledge alarmAcknowledge `cmd:"" help:"Say that you have seen an alarm."`
	Shelve      alarmShelve      `cmd:"" help:"Silence an alarm for a time."`
	Unshelve    alarmPlain       `cmd:"" help:"End a shelf before its time."`
	Reset       alarmReset       `cmd:"" help:"Reset a latched alarm."`
	Service     alarmService     `cmd:"" help:"Take an alarm out of service, or back into it."`
	Test        alarmTest        `cmd:"" help:"Send a test through every outlet, and tell which have delivered it."`
}

// daemonAt finds the control socket of the running daemon.
type daemonAt struct {
	Config string `placeholder:"FILE" help:"The daemon's configuration, which names its control socket."`
	Socket string `placeholder:"PATH" env:"DEWLINE_SOCKET" help:"The control socket itself."`
}

func (d daemonAt) dial() (*control.Client, error) {
	path := d.Socket
	if path == "" && d.Config != "" {
		site, problems := config.Load(d.Config)
		if err := problems.Err(); err != nil {
			return nil, err
		}
		path = site.Control.Socket
	}
	if path == "" {
		path = config.DefaultSocket
	}
	return control.Dial(path), nil
}

// who returns the name of the person at the keyboard, for the record.
func who() string {
	if name := os.Getenv("SUDO_USER"); name != "" {
		return name
	}
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "unknown"
}

type alarmList struct {
	daemonAt
	All  bool `help:"List the normal ones as well."`
	JSON bool `name:"json" help:"Print JSON."`
}

// Run prints the alarms.
func (c *alarmList) Run(ctx context.Context, s streams) error {
	client, err := c.dial()
	if err != nil {
		return err
	}
	alarms, err := client.Alarms(ctx)
	if err != nil {
		return err
	}
	outlets, err := client.Outlets(ctx)
	if err != nil {
		return err
	}
	for _, line := range failing(outlets) {
		fmt.Fprintln(s.err, line)
	}
	shown := alarms[:0]
	for _, a := range alarms {
		if c.All || notable(a) {
			shown = append(shown, a)
		}
	}
	if c.JSON {
		encoder := json.NewEncoder(s.out)
		encoder.SetIndent("", "  ")
		return encoder.Encode(shown)
	}
	if len(shown) == 0 {
		fmt.Fprintln(s.err, "no alarm is active or waits for you")
		return nil
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "STATE\tPRIORITY\tSINCE\tALARM\tOCCURRENCE")
	for _, a := range shown {
		fmt.Fprintf(table, "%s %s\t%s\t%s\t%s\t%s\n", a.State, a.Words, a.Priority, a.Since, a.Alarm, a.Occurrence)
	}
	return table.Flush()
}

type alarmAcknowledge struct {
	daemonAt
	Alarm  string `arg:"" help:"The alarm's name, or the occurrence that you have seen."`
	Reason string `help:"A word for the record."`
}

// Run acknowledges. Where only the alarm is named, it is the occurrence of this moment that is acknowledged.
func (c *alarmAcknowledge) Run(ctx context.Context, s streams) error {
	client, err := c.dial()
	if err != nil {
		return err
	}
	request := control.Request{Verb: watch.Acknowledge, Occurrence: c.Alarm, Reason: c.Reason}
	if !strings.Contains(c.Alarm, "@") {
		alarms, err := client.Alarms(ctx)
		if err != nil {
			return err
		}
		request.Occurrence = ""
		for _, a := range alarms {
			if a.Alarm == c.Alarm {
				request.Occurrence = a.Occurrence
			}
		}
		if request.Occurrence == "" {
			return fmt.Errorf("no alarm %q has been raised: see dewline alarm list", c.Alarm)
		}
	}
	return send(ctx, client, request, request.Occurrence+" is acknowledged", s)
}

type alarmShelve struct {
	daemonAt
	Alarm  string        `arg:"" help:"The alarm's name."`
	For    time.Duration `default:"30m" help:"How long: at most 12h, or 2h for a critical alarm."`
	Reason string        `required:"" help:"Why: a shelf is on record."`
}

// Run shelves.
func (c *alarmShelve) Run(ctx context.Context, s streams) error {
	client, err := c.dial()
	if err != nil {
		return err
	}
	request := control.Request{Verb: watch.Shelve, Alarm: c.Alarm, ForSeconds: c.For.Seconds(), Reason: c.Reason}
	return send(ctx, client, request, fmt.Sprintf("%s is shelved for %s", c.Alarm, c.For), s)
}

type alarmPlain struct {
	daemonAt
	Alarm string `arg:"" help:"The alarm's name."`
}

// Run unshelves.
func (c *alarmPlain) Run(ctx context.Context, s streams) error {
	client, err := c.dial()
	if err != nil {
		return err
	}
	return send(ctx, client, control.Request{Verb: watch.Unshelve, Alarm: c.Alarm}, c.Alarm+" is not shelved", s)
}

type alarmReset struct {
	daemonAt
	Alarm string `arg:"" help:"The alarm's name."`
}

// Run resets.
func (c *alarmReset) Run(ctx context.Context, s streams) error {
	client, err := c.dial()
	if err != nil {
		return err
	}
	return send(ctx, client, control.Request{Verb: watch.Reset, Alarm: c.Alarm}, c.Alarm+" is reset", s)
}

type alarmService struct {
	daemonAt
	Alarm  string `arg:"" help:"The alarm's name."`
	Is     string `arg:"" enum:"out,in" help:"out or in."`
	Reason string `help:"Why."`
}

// Run takes an alarm out of service or back.
func (c *alarmService) Run(ctx context.Context, s streams) error {
	client, err := c.dial()
	if err != nil {
		return err
	}
	verb, words := watch.OutOfService, " is out of service until you take it back"
	if c.Is == "in" {
		verb, words = watch.InService, " is in service"
	} else if c.Reason == "" {
		return usageError{fmt.Errorf("say why with --reason: it is on record until the alarm is back in service")}
	}
	return send(ctx, client, control.Request{Verb: verb, Alarm: c.Alarm, Reason: c.Reason}, c.Alarm+words, s)
}

// send sends a request in the name of the person at the keyboard, and tells what became of it.
func send(ctx context.Context, client *control.Client, request control.Request, done string, s streams) error {
	request.By = who()
	response, err := client.Command(ctx, request)
	if err != nil {
		return err
	}
	if !response.Done {
		return fmt.Errorf("refused: %s", response.Reason)
	}
	if !response.Changed {
		done += " (it was so already)"
	}
	fmt.Fprintln(s.out, done)
	return nil
}

// notable reports whether an alarm needs to be shown: not one that is normal, nor one that is merely covered by another
// without having anything to say.
func notable(a control.Alarm) bool {
	return a.State != string(watch.Normal) && (a.State != string(watch.SuppressedByDesign) || a.Active)
}
