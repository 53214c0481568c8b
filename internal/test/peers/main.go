// Command peers compares dewline with other ways to the same answer, in one run, and writes the ratios as a table:
//
//	go run ./internal/test/peers [--days 365] [--runs 5] [--tsdb dist/tsdb] [--out testdata/bench/peers.md]
//	go run ./internal/test/peers --alarms [--runs 5]     # the way of an alarm alone, which is written nowhere
//
// Processor time is counted, not the time by the clock, so that a busy machine changes little; of the way of an alarm only the ratios
// mean something, which take the same broker and the same disk in the same minute. All values are invented.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log"
	"maps"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"
)

func main() {
	if err := compare(context.Background()); err != nil {
		log.Fatal(err)
	}
}

func compare(ctx context.Context) error {
	days := flag.Int("days", 365, "how long a history is; that of twenty points is a sixtieth of it")
	runs := flag.Int("runs", 5, "how often")
	out := flag.String("out", "testdata/bench/peers.md", "where the table goes")
	program := flag.String("program", "./dewline", "the program under test")
	tsdb := flag.String("tsdb", "dist/tsdb", "the program of internal/test/peers/tsdb")
	alone := flag.Bool("alarms", false, "only measure the way of an alarm, and show it")
	flag.Parse()
	if flag.Arg(0) == "answer" {
		return answerFor(ctx, flag.Arg(1))
	}
	folder, err := os.MkdirTemp("", "peers")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	t := &table{}
	if *alone {
		fmt.Fprintf(t, "\nBy itself on %s: %s.\n", time.Now().UTC().Format(time.DateOnly), conditions(*runs))
		err := t.alarms(ctx, folder, *program, *runs)
		fmt.Print(t.String())
		return err
	}
	fmt.Fprintf(t, "# Against peers\n\nWritten by `make bench-peers` on %s: %s.\n\n", time.Now().UTC().Format(time.DateOnly), conditions(*runs))
	if err := t.write(ctx, folder, *program, *tsdb, *days, *runs); err != nil {
		return err
	}
	fmt.Print(t.String())
	return os.WriteFile(*out, []byte(t.String()), 0o644)
}

// table is the page that is written.
type table struct{ strings.Builder }

func (t *table) head(columns ...string) {
	fmt.Fprintf(t, "\n| %s |\n|%s\n", strings.Join(columns, " | "), strings.Repeat("---|", len(columns)))
}

// row writes a row, and shows it, since the next one may take minutes.
func (t *table) row(cells ...any) {
	for _, cell := range cells {
		fmt.Fprintf(t, "| %v ", cell)
	}
	fmt.Fprintln(t, "|")
	log.Print(cells...)
}

func (t *table) write(ctx context.Context, folder, program, tsdb string, days, runs int) error {
	fmt.Fprintln(t, "Processor time, not time by the clock, of this process or that of the peer; SQLite are plain rows of (point, time, value) in the shell\n"+
		"sqlite3, TSDB the engine of Prometheus on its own TSDB (`internal/test/peers/tsdb`). In brackets how many times a peer takes.")
	t.head("question", "dewline", "SQLite", "TSDB")
	daemon := make(chan error, 1)
	var lives [2]lived
	go func() { // beside the rest, since it waits for readings most of the time
		daemon <- liveBoth(ctx, folder, program, runs, &lives)
	}()
	one, err := fill(ctx, folder, tsdb, 1, days, 24*time.Hour)
	if err != nil {
		return err
	}
	twenty, err := fill(ctx, folder, tsdb, 20, days/60, 24*time.Hour)
	if err != nil {
		return err
	}
	for _, s := range []*stored{one, twenty} {
		r, err := compareReplay(ctx, s, runs)
		if err != nil {
			return err
		}
		t.row(fmt.Sprintf("seconds in each zone, %s, %.0f days at 10 s, s", s.counted(), s.end.Sub(s.begin).Hours()/24), r.ours, against(r.sqlite, r.ours), against(r.tsdb, r.ours))
	}
	for _, s := range []*stored{one, twenty} {
		t.row(fmt.Sprintf("size of that, %s, bytes a reading", s.counted()), three(s.perReading("dewline")),
			times(s.perReading("sqlite"), s.perReading("dewline")), times(s.perReading("tsdb"), s.perReading("dewline")))
	}
	day, err := fill(ctx, folder, tsdb, 20, 1, time.Minute)
	if err != nil {
		return err
	}
	t.row("handed to the system in a day of 20 points, committed every minute, MB", three(day.written["dewline"]/1e6),
		times(day.written["sqlite"]/1e6, day.written["dewline"]/1e6), times(day.written["tsdb"]/1e6, day.written["dewline"]/1e6))
	q, err := one.query(ctx, runs)
	if err != nil {
		return err
	}
	for i, span := range []string{"a day", "30 days", fmt.Sprintf("%d days", days)} {
		ms := q.ms[i]
		t.row(fmt.Sprintf("%d columns of %s: mean, least, greatest; ms", columns, span), ms["dewline"], against(ms["sqlite"], ms["dewline"]), against(ms["tsdb"], ms["dewline"]))
	}
	t.row("resident at most, after these three, MB", q.memory["dewline"], against(q.memory["sqlite"], q.memory["dewline"]), against(q.memory["tsdb"], q.memory["dewline"]))
	ours, engine, err := weighPrograms(ctx, folder)
	if err != nil {
		return err
	}
	for i, name := range []string{"ARMv6", "arm64"} {
		t.row("program for "+name+", stripped, MB", three(ours[i]), "–", times(engine[i], ours[i]))
	}
	if err := t.alarms(ctx, folder, program, runs); err != nil {
		return err
	}
	if err := <-daemon; err != nil {
		return err
	}
	t.daemon(&lives)
	return nil
}

// sizes are how many points the daemon watches.
var sizes = [2]int{20, 1000}

func liveBoth(ctx context.Context, folder, program string, runs int, lives *[2]lived) error {
	var problems [2]error
	var both sync.WaitGroup
	for i, points := range sizes {
		both.Go(func() { lives[i], problems[i] = live(ctx, folder, program, points, runs) })
	}
	both.Wait()
	return errors.Join(problems[:]...)
}

func (t *table) alarms(ctx context.Context, folder, program string, runs int) error {
	alarms, err := compareAlarms(ctx, folder, program, runs)
	if err != nil {
		return err
	}
	fmt.Fprintf(t, "\nFrom a reading to its alarm on a subscriber's socket, beyond the delay, by the clock, in ms. The bare message goes over the same broker;\n"+
		"the durable one is sent once %.0f bytes, as many as the daemon hands to the system for an alarm, are written to the same disk and synchronised\n"+
		"once; the least is both of them, since the reading passes the broker before its alarm does. In brackets how many times dewline takes. For\n"+
		"each alarm the daemon has the processors for %s ms.\n", median(alarms.bytes), alarms.spent)
	t.head("", "dewline", "bare message", "durable message", "the least")
	for _, l := range []struct {
		name string
		of   way
	}{{"p50", alarms.middle}, {"p99", alarms.last}} {
		cells := []any{l.name, l.of.ours}
		for _, peer := range []spread{l.of.bare, l.of.durable, sum(l.of.bare, l.of.durable)} {
			cells = append(cells, fmt.Sprintf("%s [%s]", peer, quotient(l.of.ours, peer)))
		}
		t.row(cells...)
	}
	return nil
}

func (t *table) daemon(lives *[2]lived) {
	fmt.Fprintln(t, "\nThe daemon, its points fed over MQTT every 10 s, all published again; no peer does the same.")
	t.head("", "20 points", "1,000 points")
	t.row("s of processor from the start to the first value", lives[0].start, lives[1].start)
	t.row("resident a minute later, MB", lives[0].memory, lives[1].memory)
	t.row("s of processor in a day", lives[0].day, lives[1].day)
	var weights []string
	for _, path := range slices.Sorted(maps.Keys(lives[0].pages)) {
		weights = append(weights, fmt.Sprintf("`%s` %.0f", path, lives[0].pages[path]))
	}
	fmt.Fprintf(t, "\nPages with all that they load, kB as they cross the line, at 20 points: %s.\n", strings.Join(weights, ", "))
}

// against writes a figure of a peer, and how many times it is that of dewline.
func against(peer, ours spread) string { return fmt.Sprintf("%s [%s]", peer, quotient(peer, ours)) }

func times(peer, ours float64) string { return fmt.Sprintf("%s [%s]", three(peer), three(peer/ours)) }

func three(figure float64) string { return fmt.Sprintf("%.3g", figure) }

// conditions are the machine, how busy it is, and how often something is measured.
func conditions(runs int) string {
	return fmt.Sprintf("%s, %s/%s, %d processors, load %s; %d runs; median (least to greatest)",
		processor(), runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), load(), runs)
}

// load is how many processes want a processor, on average over the last minute.
func load() string {
	text, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		return "unknown"
	}
	one, _, _ := strings.Cut(string(text), " ")
	return one
}

// spread is the figures of some runs.
type spread []float64

// String writes the median, the least and the greatest.
func (s spread) String() string {
	sorted := slices.Sorted(slices.Values(s))
	return fmt.Sprintf("%.3g (%.3g to %.3g)", sorted[len(sorted)/2], sorted[0], sorted[len(sorted)-1])
}

func median(s spread) float64 { return slices.Sorted(slices.Values(s))[len(s)/2] }

func quotient(a, b spread) (q spread) {
	for i := range a {
		q = append(q, a[i]/b[i])
	}
	return q
}

func sum(a, b spread) (s spread) {
	for i := range a {
		s = append(s, a[i]+b[i])
	}
	return s
}

// processor names the processor of this machine.
func processor() string {
	text, err := os.ReadFile("/proc/cpuinfo")
	if err != nil {
		return "an unknown processor"
	}
	for line := range strings.Lines(string(text)) {
		if name, found := strings.CutPrefix(line, "model name"); found {
			return strings.Trim(name, " \t:\n")
		}
	}
	return "an unnamed processor"
}
