// Command tsdb answers the questions of the comparison with the Prometheus engine on its own TSDB. It is a module of its own, so that
// what it needs is in no other go.mod. Its arguments are a folder and, if not two, the hours of a block. It reads questions from its standard input, one a line, and writes an answer for each:
//
//	fill                      "series ms value" lines up to an empty one; a line "." commits. Blocks are made of it at the end
//	zones FROM TO a b c d     seconds below a, b, up to c, up to d, above it, for each series, counted in steps of ten seconds
//	columns FROM TO N         mean, least and greatest of N columns of the first series
//	own                       processor seconds, bytes written and resident bytes of this process
package main

import (
	"bufio"
	"context"
	"fmt"
	"log"
	"log/slog"
	"os"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/promql"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
)

const step = 10 * time.Second

type peer struct {
	ctx    context.Context
	db     *tsdb.DB
	engine *promql.Engine
	in     *bufio.Scanner
}

func main() {
	options := tsdb.DefaultOptions()
	options.RetentionDuration = (10 * 365 * 24 * time.Hour).Milliseconds()
	options.MaxBlockDuration = (31 * 24 * time.Hour).Milliseconds() // as the server has it for years of retention
	if len(os.Args) > 2 {                                           // a past that is brought in at once: with blocks of two hours it would take many times as long
		hours, err := strconv.Atoi(os.Args[2])
		if err != nil {
			log.Fatal(err)
		}
		options.MinBlockDuration = (time.Duration(hours) * time.Hour).Milliseconds()
	}
	db, err := tsdb.Open(os.Args[1], slog.New(slog.DiscardHandler), nil, options, nil)
	if err != nil {
		log.Fatal(err)
	}
	p := &peer{ctx: context.Background(), db: db, in: bufio.NewScanner(os.Stdin), engine: promql.NewEngine(promql.EngineOpts{
		MaxSamples: 1 << 30, Timeout: time.Hour, LookbackDelta: step, NoStepSubqueryIntervalFn: func(int64) int64 { return step.Milliseconds() },
	})}
	for p.in.Scan() {
		if err := p.answer(strings.Fields(p.in.Text())); err != nil {
			log.Fatalf("%s: %v", p.in.Text(), err)
		}
	}
	if err := db.Close(); err != nil {
		log.Fatal(err)
	}
}

func (p *peer) answer(question []string) error {
	switch question[0] {
	case "fill":
		return p.fill()
	case "zones":
		return p.zones(question[1:])
	case "columns":
		return p.columns(question[1:])
	case "own":
		return own()
	}
	return fmt.Errorf("an unknown question")
}

func (p *peer) fill() error {
	app, refs, last := p.db.Appender(p.ctx), map[string]storage.SeriesRef{}, int64(0)
	for p.in.Scan() && p.in.Text() != "" {
		if p.in.Text() == "." {
			if err := app.Commit(); err != nil {
				return err
			}
			app = p.db.Appender(p.ctx)
			continue
		}
		fields := strings.Fields(p.in.Text())
		at, err := strconv.ParseInt(fields[1], 10, 64)
		if err != nil {
			return err
		}
		value, err := strconv.ParseFloat(fields[2], 64)
		if err != nil {
			return err
		}
		ref, err := app.Append(refs[fields[0]], labels.FromStrings("__name__", "reading", "point", fields[0]), at, value)
		if err != nil {
			return err
		}
		refs[fields[0]], last = ref, at
	}
	if err := app.Commit(); err != nil {
		return err
	}
	// Blocks are made of what is old enough, as the server does; what remains goes into one too, so that its size counts.
	if err := p.db.Compact(p.ctx); err != nil {
		return err
	}
	if err := p.db.CompactHead(tsdb.NewRangeHead(p.db.Head(), p.db.Head().MinTime(), last)); err != nil {
		return err
	}
	if err := p.db.Compact(p.ctx); err != nil { // blocks of a month out of the small ones
		return err
	}
	fmt.Println("filled")
	return nil
}

// zones counts the steps in each zone: the engine has no lines between values, so that a crossing is known to a step.
func (p *peer) zones(question []string) error {
	from, to, err := span(question)
	if err != nil {
		return err
	}
	a, b, c, d := question[2], question[3], question[4], question[5]
	spent := cpu()
	var answers []string
	for _, condition := range []string{
		"reading < bool " + a, "(reading >= bool " + a + ") * (reading < bool " + b + ")", "(reading >= bool " + b + ") * (reading <= bool " + c + ")",
		"(reading > bool " + c + ") * (reading <= bool " + d + ")", "reading > bool " + d,
	} {
		text := fmt.Sprintf("sum(sum_over_time((%s)[%ds:10s])) * 10", condition, int(to.Sub(from).Seconds()))
		query, err := p.engine.NewInstantQuery(p.ctx, p.db, nil, text, to)
		if err != nil {
			return err
		}
		result := query.Exec(p.ctx)
		if result.Err != nil {
			return fmt.Errorf("%s: %w", text, result.Err)
		}
		vector, err := result.Vector()
		if err != nil || len(vector) != 1 {
			return fmt.Errorf("%s: %d answers, %v", text, len(vector), err)
		}
		answers = append(answers, strconv.FormatFloat(vector[0].F, 'f', 0, 64))
		query.Close()
	}
	fmt.Println(strings.Join(append(answers, fmt.Sprint((cpu()-spent).Seconds())), " "))
	return nil
}

func (p *peer) columns(question []string) error {
	from, to, err := span(question)
	if err != nil {
		return err
	}
	n, err := strconv.Atoi(question[2])
	if err != nil {
		return err
	}
	width := to.Sub(from) / time.Duration(n)
	spent, count := cpu(), 0
	for _, of := range []string{"avg", "min", "max"} {
		text := fmt.Sprintf(`%s_over_time(reading{point="tub-1"}[%dms])`, of, width.Milliseconds())
		query, err := p.engine.NewRangeQuery(p.ctx, p.db, nil, text, from.Add(width), to, width)
		if err != nil {
			return err
		}
		result := query.Exec(p.ctx)
		if result.Err != nil {
			return fmt.Errorf("%s: %w", text, result.Err)
		}
		matrix, err := result.Matrix()
		if err != nil || len(matrix) != 1 {
			return fmt.Errorf("%s: %d series, %v", text, len(matrix), err)
		}
		count += len(matrix[0].Floats)
		query.Close()
	}
	fmt.Println(count/3, (cpu() - spent).Seconds())
	return nil
}

func span(question []string) (from, to time.Time, err error) {
	a, err := strconv.ParseInt(question[0], 10, 64)
	if err != nil {
		return from, to, err
	}
	b, err := strconv.ParseInt(question[1], 10, 64)
	return time.UnixMilli(a), time.UnixMilli(b), err
}

func own() error {
	text, err := os.ReadFile("/proc/self/io")
	if err != nil {
		return err
	}
	var usage syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &usage); err != nil {
		return err
	}
	written := ""
	for line := range strings.Lines(string(text)) {
		if value, found := strings.CutPrefix(line, "wchar: "); found {
			written = strings.TrimSpace(value)
		}
	}
	fmt.Println(cpu().Seconds(), written, usage.Maxrss*1024)
	return nil
}

func cpu() time.Duration {
	var usage syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &usage); err != nil {
		log.Fatal(err)
	}
	return time.Duration(usage.Utime.Nano() + usage.Stime.Nano())
}
