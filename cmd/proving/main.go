// Command proving plays years of an invented breeding room at high speed, with everything that can go wrong in it, and scores
// dewline and three plain programs on the alarms that they gave. It exits with 1 where a goal is missed.
//
//	go run ./cmd/proving [--room-years 100] [--first 0] [--seed 1|--drawn-by TEXT] [--world standard|harsh] [--keeper asleep|caring]
//	                     [--faults all|none|LIST] [--require all|LIST] [--workers N] [--json] [--explain]
package main

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"

	"dewline/internal/test/trial"
)

// The exit codes.
const (
	exitDone   = 0
	exitMissed = 1
	exitUsage  = 2
)

// flags is the command line.
type flags struct {
	RoomYears int    `default:"100" help:"How many years are played."`
	Seed      uint64 `default:"1" help:"What all chance comes from: the same seed gives the same table."`
	World     string `default:"standard" enum:"standard,harsh" help:"standard, or harsh: more faults, more noise, more weather."`
	Faults    string `default:"all" help:"all, none, or a list such as door,drift."`
	First     int    `default:"0" help:"The first room-year that is played, to see one that is known by its number again."`
	Explain   bool   `help:"Play each room-year with a false alarm, or with a critical stay that was missed or found late, once more, and write to standard error what happened."`
	Workers   int    `default:"0" help:"How many years are played at once; 0 means one for each processor. It changes nothing but the time it takes."`
	Keeper    string `default:"asleep" enum:"asleep,caring" help:"asleep acknowledges and cures nothing; caring cures what he is notified of and compares his probes monthly."`
	DrawnBy   string `name:"drawn-by" help:"Take the seed from this text, such as the id of a commit, instead, and allow for chance: a goal on a rate is missed only beyond its 95 % bound, one on the worst year by half as much again, one on missed stays by more than lost messages explain."`
	Require   string `default:"all" help:"The goals of which a missed one makes the exit code 1: all, or a list of names. All goals are reported."`
	JSON      bool   `name:"json" help:"Write one JSON object."`
}

func main() {
	debug.SetGCPercent(800) // little is alive at any time
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run carries out one command line and returns the exit code.
func run(ctx context.Context, args []string, out, errs io.Writer) int {
	var f flags
	exit := -1
	parser, err := kong.New(&f, kong.Name("proving"), kong.Writers(out, errs), kong.Exit(func(code int) { exit = code }),
		kong.Description("Plays years of an invented room, and scores dewline against three plain programs."))
	if err == nil {
		_, err = parser.Parse(args)
	}
	if exit >= 0 { // help was asked for
		return exit
	}
	faults, unknown := trial.ParseFaults(f.Faults)
	if err == nil && f.RoomYears < 1 {
		err = fmt.Errorf("--room-years %d: give at least one", f.RoomYears)
	}
	required, unnamed := goals(f.Require)
	if f.DrawnBy != "" {
		f.Seed = drawn(f.DrawnBy)
	}
	if err = errors.Join(err, unknown, unnamed); err != nil {
		fmt.Fprintln(errs, "proving:", err)
		return exitUsage
	}
	begun := time.Now()
	options := trial.Options{
		RoomYears: f.RoomYears, First: f.First, Seed: f.Seed, World: trial.World(f.World), Keeper: trial.KeeperKind(f.Keeper), Faults: faults, Workers: f.Workers,
		Progress: func(done int) {
			if done%10 == 0 || done == f.RoomYears {
				fmt.Fprintf(errs, "%d of %d room-years, %s\n", done, f.RoomYears, time.Since(begun).Round(time.Second))
			}
		},
	}
	result, err := trial.Play(ctx, options)
	if err == nil && result.RoomYears < f.RoomYears {
		fmt.Fprintf(errs, "proving: stopped after %d room-years, which the table shows\n", result.RoomYears)
	}
	if err == nil && f.JSON {
		err = result.WriteJSON(out)
	} else if err == nil {
		err = result.WriteText(out)
	}
	if err != nil {
		fmt.Fprintln(errs, "proving:", err)
		return exitMissed
	}
	if f.Explain {
		if err := trial.Explain(ctx, options, result, errs); err != nil {
			fmt.Fprintln(errs, "proving:", err)
			return exitMissed
		}
	}
	missed := result.Failures(required, f.DrawnBy != "")
	if len(missed) > 0 {
		fmt.Fprintln(errs, "proving: missed", strings.Join(missed, ", "))
	}
	if len(missed) > 0 || result.RoomYears < f.RoomYears {
		return exitMissed
	}
	return exitDone
}

// goals reads a list of names of goals; nil for all.
func goals(list string) ([]string, error) {
	if list == "all" {
		return nil, nil
	}
	names := strings.Split(list, ",")
	for _, name := range names {
		if !slices.Contains(trial.GoalNames(), name) {
			return nil, fmt.Errorf("there is no goal %q (all, or some of %s)", name, strings.Join(trial.GoalNames(), ", "))
		}
	}
	return names, nil
}

// drawn makes a seed of a text.
func drawn(text string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(text))
	return h.Sum64()
}
