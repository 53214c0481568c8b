// Command peers compares dewline with other ways to the same answer, in one run, and writes the ratios as a table:
//
//	go run ./internal/test/peers [--days 365] [--runs 5] [--out testdata/bench/peers.md]
//
// Processor time is counted, not the time by the clock, so that a busy machine changes little; of the way of an alarm only the ratio to a
// bare message means something, which takes the same broker in the same minute. All values are invented.
package main

import (
	"context"
	"flag"
	"fmt"
	"log"
	"os"
	"runtime"
	"slices"
	"strings"
	"time"
)

func main() {
	days := flag.Int("days", 365, "how long a history is replayed")
	runs := flag.Int("runs", 5, "how often")
	out := flag.String("out", "testdata/bench/peers.md", "where the table goes")
	program := flag.String("program", "./dewline", "the program under test")
	flag.Parse()
	ctx := context.Background()
	folder, err := os.MkdirTemp("", "peers")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(folder)
	var table strings.Builder
	fmt.Fprintf(&table, "# Against peers\n\nWritten by `make bench-peers` on %s: %s, %s/%s, %d processors, %d runs; median (least to greatest).\n\n",
		time.Now().UTC().Format(time.DateOnly), processor(), runtime.GOOS, runtime.GOARCH, runtime.NumCPU(), *runs)
	fmt.Fprintln(&table, "| question | dewline | peer | ratio |\n|---|---|---|---|")
	replay, err := compareReplay(ctx, folder, *days, *runs)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Fprintf(&table, "| seconds in each zone of %d days of one point at 10 s, from its file, s of processor | %s | SQLite %s, window functions over plain rows: %s | %s |\n",
		*days, replay.ours, replay.version, replay.peer, replay.ratio())
	fmt.Fprintf(&table, "| size of that file, bytes a reading | %.2f | %.2f | %.1f |\n", replay.ourBytes, replay.peerBytes, replay.peerBytes/replay.ourBytes)
	alarms, err := compareAlarms(ctx, folder, *program, *runs)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Fprintf(&table, "| from a reading to its alarm on a subscriber's socket, beyond the delay, ms, p50 | %s | a bare message on the same broker: %s | %s |\n",
		alarms.middle.ours, alarms.middle.peer, alarms.middle.inverse())
	fmt.Fprintf(&table, "| the same, p99 | %s | %s | %s |\n", alarms.last.ours, alarms.last.peer, alarms.last.inverse())
	table.WriteString("\nA ratio says how many times the peer takes; of the last two rows how many times dewline takes.\n")
	if err := os.WriteFile(*out, []byte(table.String()), 0o644); err != nil {
		log.Fatal(err)
	}
	fmt.Print(table.String())
}

// spread is the figures of some runs.
type spread []float64

// String writes the median, the least and the greatest.
func (s spread) String() string {
	sorted := slices.Sorted(slices.Values(s))
	return fmt.Sprintf("%.3g (%.3g to %.3g)", sorted[len(sorted)/2], sorted[0], sorted[len(sorted)-1])
}

// pair is the figures of both, run by run.
type pair struct{ ours, peer spread }

// ratio is how many times the peer takes, run by run.
func (p pair) ratio() spread { return quotient(p.peer, p.ours) }

// inverse is how many times dewline takes.
func (p pair) inverse() spread { return quotient(p.ours, p.peer) }

func quotient(a, b spread) (q spread) {
	for i := range a {
		q = append(q, a[i]/b[i])
	}
	return q
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
