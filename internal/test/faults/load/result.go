package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

// result is what a run has shown.
type result struct {
	options
	nodes   int
	before  int64 // readings taken before the counting began
	sent    int64 // readings since then
	late    time.Duration
	took    time.Duration
	stopped time.Duration
	seen    []vitals

	collections []collection

	load      string
	alarms    int
	missed    int
	latencies []time.Duration
	bare      []time.Duration
	messages  uint64
	pictures  uint64
	pageBytes uint64

	pageFailures uint64
	kept         int64 // readings in the history
	bytes        int64 // of its file
}

// count opens the history that the daemon has left and counts the readings of the sensors.
func count(ctx context.Context, path string, nodes []*node) (readings, bytes int64, err error) {
	db, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		return 0, 0, err
	}
	defer db.Close(ctx)
	for _, n := range nodes {
		points := []quantity.Point{{Place: n.place, Quantity: quantity.WaterTemperature}}
		if n.humid {
			points = []quantity.Point{{Place: n.place, Quantity: quantity.AirTemperature}, {Place: n.place, Quantity: quantity.RelativeHumidity}}
		}
		for _, p := range points {
			for sample, err := range db.AllReadings(ctx, p, instant.None, 0) {
				if err != nil {
					return 0, 0, err
				}
				if sample.Flag != quantity.Missing { // which is what silence leaves, and none of those sent
					readings++
				}
			}
		}
	}
	return readings, db.Health().Bytes, nil
}

// lost is how many readings were sent and are not in the history.
func (r *result) lost() int64 { return r.before + r.sent - r.kept }

// percentile returns the smallest latency that a share of all does not exceed (nearest rank).
func percentile(sorted []time.Duration, share float64) time.Duration {
	if len(sorted) == 0 {
		return 0
	}
	rank := int(share*float64(len(sorted)) + 0.999999)
	return sorted[min(max(rank, 1), len(sorted))-1]
}

// memory is the verdict on it.
func (r *result) memory() verdict { return judge(r.collections, r.took, r.options.warm()) }

func (r *result) problems() []string {
	var list []string
	sorted := slices.Sorted(slices.Values(r.latencies))
	if n := r.lost(); n != 0 {
		list = append(list, fmt.Sprintf("%d readings are missing in the history", n))
	}
	if p := percentile(sorted, 0.99); p > allowed {
		list = append(list, fmt.Sprintf("99 of 100 alarms took up to %s, allowed are %s", p.Round(time.Millisecond), allowed))
	}
	if r.missed > 0 {
		list = append(list, fmt.Sprintf("%d times a client did not hear of an alarm", r.missed))
	}
	if r.options.alarms > 0 && r.alarms == 0 {
		list = append(list, "no alarm was provoked: the time was too short to say anything of alarms")
	}
	if v := r.memory(); v.grows {
		list = append(list, "memory is "+v.words)
	}
	return list
}

func (r *result) print(out io.Writer) {
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	row := func(name, format string, args ...any) { fmt.Fprintf(w, name+"\t"+format+"\n", args...) }
	sorted := slices.Sorted(slices.Values(r.latencies))
	row("load", "%d points on %d sensors, one reading per %s, pace %g, %s by the machine's clock", r.points, r.nodes, r.every, r.pace, r.took.Round(time.Second))
	row("around it", "%d subscribers to everything, %d open pages, mosquitto with passwords", r.subscribers, r.options.pages)
	row("readings sent", "%d (the feeder was at most %s late)", r.sent, r.late.Round(time.Millisecond))
	row("readings kept", "%d, of which %d from before the counting", r.kept, r.before)
	row("readings lost", "%d", r.lost())
	row("alarms", "%d provoked, heard %d times, not heard %d times", r.alarms, len(sorted), r.missed)
	row("alarm latency", "p50 %s, p99 %s, max %s (from the reading's publishing to the event at the client)", percentile(sorted, 0.5).Round(time.Millisecond),
		percentile(sorted, 0.99).Round(time.Millisecond), percentile(sorted, 1).Round(time.Millisecond))
	bare := slices.Sorted(slices.Values(r.bare))
	row("the broker alone", "p50 %s, p99 %s, max %s (a message that passes dewline by, to the same clients)", percentile(bare, 0.5).Round(time.Millisecond),
		percentile(bare, 0.99).Round(time.Millisecond), percentile(bare, 1).Round(time.Millisecond))
	row("messages heard", "%d by all clients; pages: %d events, %.1f MiB, %d failures", r.messages, r.pictures, float64(r.pageBytes)/(1<<20), r.pageFailures)
	for _, m := range []struct {
		name, unit string
		of         func(vitals) float64
	}{
		{"resident", "MiB", func(v vitals) float64 { return v.resident }},
		{"goroutines", "", func(v vitals) float64 { return v.goroutines }},
	} {
		highest := 0.0
		for _, v := range r.seen {
			highest = max(highest, m.of(v))
		}
		row(m.name, "first %.1f, last %.1f, highest %.1f %s", m.of(r.seen[0]), m.of(r.seen[len(r.seen)-1]), highest, m.unit)
	}
	first, last := r.seen[0], r.seen[len(r.seen)-1]
	if spent := (last.at - first.at).Seconds(); spent > 0 {
		row("processor", "%.0f %% of one core", 100*(last.processor-first.processor)/spent)
	}
	row("history", "%.1f MiB in the file; stopping took %s", float64(r.bytes)/(1<<20), r.stopped.Round(time.Millisecond))
	row("machine", "load average %s", r.load)
	row("memory", "%s", r.memory().words)
	_ = w.Flush() // to standard output, whose failure leaves nothing to do
	r.printMemory(out)
}

// printMemory prints how memory went.
func (r *result) printMemory(out io.Writer) {
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "\nuntil\tcollections\tlive heap MiB, lowest\tmean\tresident MiB\tgoroutines\tprocessor, % of a core\t")
	before := vitals{}
	if len(r.seen) > 0 {
		before = r.seen[0]
	}
	for _, s := range stretches(r.collections, r.seen, r.took) {
		share := "-"
		if spent := (s.at - before.at).Seconds(); spent > 0 {
			share = fmt.Sprintf("%.0f", 100*(s.processor-before.processor)/spent)
		}
		before = s.vitals
		fmt.Fprintf(w, "%s\t%d\t%.0f\t%.1f\t%.1f\t%.0f\t%s\t\n", s.until.Round(time.Second), s.collections, s.lowest, s.mean, s.resident, s.goroutines, share)
	}
	_ = w.Flush() // likewise
}
