// Command dewline watches the climate of a small amphibian breeding room and wakes its keeper when an enclosure has left the
// band of the life stage that lives in it.
//
// The rules of its output: results go to standard output, progress and errors to standard error. It exits with 0 when
// the work is done, 1 when the answer is no or the work failed, and 2 when it was used wrongly.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
)

// The exit codes.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2
)

// verbs is the command line, one field for each verb.
type verbs struct {
	Demo      demoCommand      `cmd:"" help:"Run a simulated room with everything live; nothing needs to be configured."`
	Run       runCommand       `cmd:"" help:"Watch the room that a configuration describes."`
	Init      initCommand      `cmd:"" help:"Look for sensors, ask, and write the first configuration."`
	Check     checkCommand     `cmd:"" help:"Say what is wrong in a configuration, with file, line and column."`
	Probe     probeCommand     `cmd:"" help:"Find the sensors that are attached, read each once, and print them as lines of a configuration."`
	Replay    replayCommand    `cmd:"" help:"Try other limits on past readings."`
	Report    reportCommand    `cmd:"" help:"Write down how long which animals were too warm, too cold or too dry; or how well the alarms have served."`
	Export    exportCommand    `cmd:"" help:"Write the readings that the history holds, or a copy of the whole history."`
	Misting   mistingCommand   `cmd:"" help:"See how an enclosure dries between mistings, and try another schedule on the recorded days."`
	Calibrate calibrateCommand `cmd:"" help:"Compare a sensor with an ice bath, a saturated salt or a better instrument; print the correction, or write it into the journal."`
	Sensor    sensorCommand    `cmd:"" help:"Say which calibrations are in force, or that a sensor was replaced."`
	Compare   compareCommand   `cmd:"" help:"Hold two points beside each other before animals are moved: the difference, since when it is small, how fast it changes."`
	Status    statusCommand    `cmd:"" help:"Say what the running daemon watches, what it does not, who gets its alarms, and what does not work."`
	Sites     sitesCommand     `cmd:"" help:"Show many sites in a line each, from what their broker retains."`
	Alarm     alarmCommand     `cmd:"" help:"List the alarms of the running daemon, say that you have seen them, silence them for a time."`
	Cohort    cohortCommand    `cmd:"" help:"Keep the record of the animals: who lives where, at which stage, how many."`
	Done      doneCommand      `cmd:"" help:"Write down that a task of care is done."`
	Mist      mistCommand      `cmd:"" help:"Write down a misting."`
	Note      noteCommand      `cmd:"" help:"Write a note into the journal, or withdraw an entry."`
	Stage     stageCommand     `cmd:"" hidden:"" help:"The older form of dewline cohort stage."`
	Profile   profileCommand   `cmd:"" help:"List or copy the care profiles that the program brings."`
	Password  passwordCommand  `cmd:"" help:"Make the hash of a password, or a token, for a user of the pages."`
	Version   versionCommand   `cmd:"" help:"Print the version of this program."`
	Help      helpCommand      `cmd:"" help:"Describe every key of a configuration, the commands over MQTT, or what a webhook is sent."`
	Manual    manualCommand    `cmd:"" help:"Write the manual page, or the completion for a shell."`
}

// streams are where a command reads and writes.
type streams struct {
	out, err io.Writer
	terminal bool // err is a terminal
}

// writeJSON writes a document for a script, indented and without the escapes meant for HTML.
func writeJSON(w io.Writer, document any) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	encoder.SetEscapeHTML(false)
	return encoder.Encode(document)
}

// printEach writes values, one a line.
func printEach[T any](w io.Writer, prefix string, all []T) {
	for _, v := range all {
		fmt.Fprintf(w, "%s%v\n", prefix, v)
	}
}

// names returns what a function calls each of some values.
func names[T any](all []T, name func(*T) string) (list []string) {
	for i := range all {
		list = append(list, name(&all[i]))
	}
	return list
}

// wipe takes away the line on which a terminal shows how far a work is.
func (s streams) wipe() {
	if s.terminal {
		fmt.Fprint(s.err, "\r\033[K")
	}
}

// lasting returns a context that ends after a time at the latest; 0 sets no end.
func lasting(ctx context.Context, length time.Duration) (context.Context, context.CancelFunc) {
	if length <= 0 {
		return context.WithCancel(ctx)
	}
	return context.WithTimeoutCause(ctx, length, errors.New("the time asked for has passed"))
}

// errNo is returned by a command whose answer is no, and that has said so already.
var errNo = errors.New("no")

// usageError is an error in how the command was used.
type usageError struct{ error }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the process at once
	os.Exit(run(ctx, os.Args[1:], streams{os.Stdout, os.Stderr, isTerminal(os.Stderr)}))
}

// run carries out one command line and returns the exit code.
func run(ctx context.Context, args []string, s streams) int {
	var cli verbs
	exit := -1
	parser, err := kong.New(&cli,
		kong.Name("dewline"),
		kong.Description("Early warning for a small amphibian breeding room. It watches and warns; it switches nothing."),
		kong.Writers(s.out, s.err),
		kong.Exit(func(code int) { exit = code }),
		kong.UsageOnError(),
		kong.Vars{"service_config": serviceConfig},
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.BindTo(ctx, (*context.Context)(nil)),
		kong.Bind(s),
	)
	if err != nil {
		fmt.Fprintln(s.err, "dewline:", err)
		return exitUsage
	}
	if len(args) == 0 { // not asked for help, but in need of it
		_, _ = parser.Parse([]string{"--help"})
		return exitUsage
	}
	parsed, err := parser.Parse(args)
	if exit >= 0 { // help was asked for
		return exit
	}
	if err != nil {
		fmt.Fprintf(s.err, "dewline: %s\nuse dewline --help, or dewline VERB --help\n", err)
		return exitUsage
	}
	switch err := parsed.Run(); {
	case err == nil:
		return exitDone
	case errors.Is(err, errNo):
		return exitFailed
	default:
		fmt.Fprintln(s.err, "dewline:", err)
		if _, ok := errors.AsType[usageError](err); ok {
			return exitUsage
		}
		return exitFailed
	}
}
