package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/user"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/isa"
	"dewline/internal/core/watch"
	"dewline/internal/format/timetext"
	"dewline/internal/server/control"
)

// alarmCommand talks to the running daemon about its alarms.
type alarmCommand struct {
	List        alarmList        `cmd:"" help:"List the alarms that need a person, with value, limit and time."`
	Acknowledge alarmAcknowledge `cmd:"" help:"Say that you have seen an alarm, or all of them."`
	Shelve      alarmShelve      `cmd:"" help:"Silence an alarm for a time."`
	Unshelve    alarmPlain       `cmd:"" help:"Un-silence an alarm."`
	Reset       alarmReset       `cmd:"" help:"Let an alarm go that stays until a person resets it."`
	Service     alarmService     `cmd:"" help:"Take an alarm out of service, or back into it."`
	Test        alarmTest        `cmd:"" help:"Send a test through every notifier, and print which of them delivered it."`
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
	JSON bool `name:"json" help:"Print JSON: all times in UTC, all values in SI units, the states by their letters of ISA-18.2."`
}

// Run prints the alarms.
func (c *alarmList) Run(ctx context.Context, s streams) error {
	client, err := c.dial(ctx)
	if err != nil {
		return err
	}
	alarms, err := client.Alarms(ctx)
	if err != nil {
		return err
	}
	notifiers, err := client.Notifiers(ctx)
	if err != nil {
		return err
	}
	site, err := shownBy(ctx, client)
	if err != nil {
		return err
	}
	printEach(s.err, "", failing(notifiers))
	shown := slices.DeleteFunc(alarms, func(a control.Alarm) bool { return !c.All && !notable(a) })
	if c.JSON {
		return writeJSON(s.out, shown)
	}
	if len(shown) == 0 {
		fmt.Fprintln(s.err, "no alarm is active or waits for you")
		return nil
	}
	table := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "WHERE\tSTATE\tPRIORITY\tSINCE\tNOW\tLIMIT\tALARM")
	for i := range shown {
		a := &shown[i]
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", site.place(a), state(a, site), a.Priority, site.time(a.Since),
			site.value(a, a.Value), site.value(a, a.Setpoint), a.Alarm)
	}
	return table.Flush()
}

// state says how an alarm is, with the end of a shelf and its reason.
func state(a *control.Alarm, site show) string {
	words := a.Words
	if !a.Until.IsNone() {
		words += " until " + site.time(a.Until)
		if a.Reason != "" {
			words += " (" + a.Reason + ")"
		}
	}
	return words
}

type alarmAcknowledge struct {
	daemonAt
	Alarm  string `arg:"" optional:"" help:"The alarm's name, or the occurrence that you have seen."`
	All    bool   `xor:"which" help:"All that wait to be acknowledged."`
	Place  string `xor:"which" placeholder:"ID" help:"All of this place that wait to be acknowledged."`
	Reason string `help:"A word for the record."`
}

// Run acknowledges. Where only the alarm is named, it is the occurrence of this moment that is acknowledged.
func (c *alarmAcknowledge) Run(ctx context.Context, s streams) error {
	if several := c.All || c.Place != ""; several == (c.Alarm != "") {
		return usageError{errors.New("say what to acknowledge: an alarm or its occurrence, --all, or --place ID")}
	}
	client, err := c.dialFor(ctx, c.Alarm)
	if err != nil {
		return err
	}
	alarms, err := client.Alarms(ctx)
	if err != nil {
		return err
	}
	if c.Alarm != "" {
		occurrence, err := occurrenceOf(alarms, c.Alarm)
		if err != nil {
			return err
		}
		return send(ctx, client, c.request(occurrence), occurrence+" is acknowledged", s)
	}
	return c.several(ctx, client, alarms, s)
}

func (c *alarmAcknowledge) request(occurrence string) control.Request {
	return control.Request{Verb: watch.Acknowledge, Occurrence: occurrence, Reason: c.Reason}
}

// several acknowledges all that wait, or those of a place. One that is refused does not keep the others from it.
func (c *alarmAcknowledge) several(ctx context.Context, client *control.Client, alarms []control.Alarm, s streams) error {
	var places []string
	var failed error
	count := 0
	for i := range alarms {
		a := &alarms[i]
		place, _, _ := strings.Cut(a.Alarm, "/")
		places = append(places, place)
		if c.Place != "" && place != c.Place || !a.State.Waits() {
			continue
		}
		count++
		failed = errors.Join(failed, send(ctx, client, c.request(a.Occurrence), a.Occurrence+" is acknowledged", s))
	}
	if c.Place != "" && !slices.Contains(places, c.Place) {
		return errors.New(config.UnknownWord("place", c.Place, slices.Compact(places)))
	}
	if count == 0 {
		fmt.Fprintln(s.err, "no alarm waits to be acknowledged")
	}
	return failed
}

// occurrenceOf finds the occurrence that a name of an alarm, or of an occurrence, is about.
func occurrenceOf(alarms []control.Alarm, name string) (string, error) {
	alarm, _, exact := strings.Cut(name, "@")
	i := slices.IndexFunc(alarms, func(a control.Alarm) bool { return a.Alarm == alarm })
	switch {
	case i < 0:
		return "", unknownAlarm(alarms, alarm)
	case exact:
		return name, nil
	case alarms[i].Occurrence == "":
		return "", fmt.Errorf("%s has never been raised: see dewline alarm list", alarm)
	}
	return alarms[i].Occurrence, nil
}

// unknownAlarm says which alarm may have been meant.
func unknownAlarm(alarms []control.Alarm, name string) error {
	message := config.UnknownWord("alarm", name, names(alarms, func(a *control.Alarm) string { return a.Alarm }))
	if !strings.Contains(message, "did you mean") {
		message = fmt.Sprintf("unknown alarm %q: see dewline alarm list --all", name)
	}
	return errors.New(message)
}

// about sends a request about an alarm that there is.
func about(ctx context.Context, at daemonAt, request control.Request, done string, s streams) error {
	client, err := at.dial(ctx)
	if err != nil {
		return err
	}
	alarms, err := client.Alarms(ctx)
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(alarms, func(a control.Alarm) bool { return a.Alarm == request.Alarm }) {
		return unknownAlarm(alarms, request.Alarm)
	}
	return send(ctx, client, request, done, s)
}

type alarmShelve struct {
	daemonAt
	Alarm  string            `arg:"" help:"The alarm's name."`
	For    timetext.Duration `default:"30m" help:"How long, such as 30m, \"2 h\" or 1d: at most 12h, or 2h for a critical alarm."`
	Reason string            `required:"" help:"Why: it is on record, and in dewline alarm list."`
}

// Run shelves.
func (c *alarmShelve) Run(ctx context.Context, s streams) error {
	length := time.Duration(c.For)
	if length <= 0 {
		return usageError{errors.New("--for: give a time that lies ahead, such as 30m")}
	}
	request := control.Request{Verb: watch.Shelve, Alarm: c.Alarm, ForSeconds: length.Seconds(), Reason: c.Reason}
	return about(ctx, c.daemonAt, request, fmt.Sprintf("%s is silent for %s", c.Alarm, c.For), s)
}

type alarmPlain struct {
	daemonAt
	Alarm string `arg:"" help:"The alarm's name."`
}

// Run unshelves.
func (c *alarmPlain) Run(ctx context.Context, s streams) error {
	return about(ctx, c.daemonAt, control.Request{Verb: watch.Unshelve, Alarm: c.Alarm}, c.Alarm+" is not silenced any more", s)
}

type alarmReset alarmPlain

// Run resets.
func (c *alarmReset) Run(ctx context.Context, s streams) error {
	return about(ctx, c.daemonAt, control.Request{Verb: watch.Reset, Alarm: c.Alarm}, c.Alarm+" is reset", s)
}

type alarmService struct {
	daemonAt
	Alarm  string `arg:"" help:"The alarm's name."`
	Is     string `arg:"" enum:"out,in" help:"out or in."`
	Reason string `help:"Why."`
}

// Run takes an alarm out of service or back.
func (c *alarmService) Run(ctx context.Context, s streams) error {
	verb, words := watch.OutOfService, " is out of service until you take it back"
	if c.Is == "in" {
		verb, words = watch.InService, " is in service"
	} else if c.Reason == "" {
		return usageError{errors.New("say why with --reason: it is on record until the alarm is back in service")}
	}
	return about(ctx, c.daemonAt, control.Request{Verb: verb, Alarm: c.Alarm, Reason: c.Reason}, c.Alarm+words, s)
}

// send sends a request in the name of the person at the keyboard, and says what became of it.
func send(ctx context.Context, client *control.Client, request control.Request, done string, s streams) error {
	response, err := command(ctx, client, request)
	if err != nil {
		return err
	}
	if !response.Changed {
		done += " (it was so already)"
	}
	fmt.Fprintln(s.out, done)
	return nil
}

// command sends a request in the name of the person at the keyboard. A refusal is an error.
func command(ctx context.Context, client *control.Client, request control.Request) (control.Response, error) {
	request.By = who()
	response, err := client.Command(ctx, request)
	if err == nil && !response.Done {
		err = fmt.Errorf("refused: %s", response.Reason)
	}
	return response, err
}

// notable reports whether an alarm needs to be shown: not one that is normal, nor one that is merely covered by another
// without having anything to say.
func notable(a control.Alarm) bool {
	return a.State != isa.Normal && (a.State != isa.SuppressedByDesign || a.Active)
}
