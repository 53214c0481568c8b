package main

import (
	"context"
	"fmt"
	"iter"
	"math"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/store"
)

// The band of the replay, in °C.
const (
	criticalLow, low, high, criticalHigh = 19.0, 21.0, 24.0, 26.0
)

// windowQuery asks SQLite the question of the ledger: seconds in each zone, along the straight lines between readings that are at most a
// minute apart, and unknown elsewhere.
const windowQuery = `
WITH pair AS (
	SELECT at AS t0, value AS v0, lead(at) OVER w AS t1, lead(value) OVER w AS v1 FROM reading WINDOW w AS (PARTITION BY point ORDER BY at)
), line AS (
	SELECT (t1 - t0) / 1000.0 AS took, min(v0, v1) AS a, max(v0, v1) AS b FROM pair WHERE t1 - t0 <= 60000
), share AS (
	SELECT took,
		iif(a = b, a < %[1]g, max(0, min(b, %[1]g) - a) / (b - a)) AS critical_low,
		iif(a = b, a >= %[1]g AND a < %[2]g, max(0, min(b, %[2]g) - max(a, %[1]g)) / (b - a)) AS low,
		iif(a = b, a >= %[2]g AND a <= %[3]g, max(0, min(b, %[3]g) - max(a, %[2]g)) / (b - a)) AS inside,
		iif(a = b, a > %[3]g AND a <= %[4]g, max(0, min(b, %[4]g) - max(a, %[3]g)) / (b - a)) AS high,
		iif(a = b, a > %[4]g, max(0, b - max(a, %[4]g)) / (b - a)) AS critical_high
	FROM line
)
SELECT sum(took * critical_low), sum(took * low), sum(took * inside), sum(took * high), sum(took * critical_high) FROM share;`

// replayed is the processor time of the same question, run by run.
type replayed struct{ ours, sqlite, tsdb spread }

// compareReplay asks all three for the seconds in each zone, and fails where SQLite's differ by more than a second a point, or the engine's,
// which has no lines between values and counts steps of ten seconds, by more than a hundredth.
func compareReplay(ctx context.Context, s *stored, runs int) (r replayed, err error) {
	for range runs {
		began := spent(syscall.RUSAGE_SELF)
		mine, err := zonesOfCore(ctx, s.paths["dewline"], s.points)
		if err != nil {
			return r, err
		}
		r.ours = append(r.ours, (spent(syscall.RUSAGE_SELF) - began).Seconds())
		command := exec.CommandContext(ctx, "sqlite3", "-readonly", "-separator", " ", s.paths["sqlite"], fmt.Sprintf(windowQuery, criticalLow, low, high, criticalHigh))
		answer, err := command.Output()
		if err != nil {
			return r, fmt.Errorf("sqlite3: %w", err)
		}
		r.sqlite = append(r.sqlite, (command.ProcessState.UserTime() + command.ProcessState.SystemTime()).Seconds())
		if err := sameZones("SQLite", mine, strings.Fields(string(answer)), float64(s.points)); err != nil {
			return r, err
		}
		engine, err := open(ctx, "tsdb", s.paths["tsdb"], s.tsdb)
		if err != nil {
			return r, err
		}
		line, err := engine.ask(fmt.Sprintf("zones %d %d %g %g %g %g", s.begin.UnixMilli(), s.end.UnixMilli(), criticalLow, low, high, criticalHigh))
		if err != nil {
			return r, err
		}
		fields := strings.Fields(line)
		if err := sameZones("the engine", mine, fields[:5], s.end.Sub(s.begin).Seconds()*float64(s.points)/100); err != nil {
			return r, err
		}
		took, err := strconv.ParseFloat(fields[5], 64)
		if err != nil {
			return r, err
		}
		r.tsdb = append(r.tsdb, took)
		if err := engine.close(); err != nil {
			return r, err
		}
	}
	return r, nil
}

func sameZones(whose string, mine []float64, theirs []string, within float64) error {
	for i, text := range theirs {
		seconds, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return err
		}
		if math.Abs(seconds-mine[i]) > within {
			return fmt.Errorf("%s: dewline says %.3f s, %s %.3f s", watch.Zone(i), mine[i], whose, seconds)
		}
	}
	return nil
}

// zonesOfCore folds the history, with alarms, exposure and outlook as the daemon does, and returns the seconds in the five zones with a value.
func zonesOfCore(ctx context.Context, path string, points int) ([]float64, error) {
	db, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	band := care.NoBand()
	copy(band.Limits[:], []float64{criticalLow, low, high, criticalHigh})
	site := watch.Site{ID: "north-loft", Location: time.UTC, Light: care.Light{Location: time.UTC, AlwaysDay: true}}
	var next []func() (store.Sample, error, bool)
	for tub := 1; tub <= points; tub++ {
		site.Places = append(site.Places, watch.Place{ID: point(tub).Place, Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: {Day: band, Night: band}}})
		site.Points = append(site.Points, watch.Point{Point: point(tub), Gap: time.Minute, Accuracy: 0.5})
		pull, stop := iter.Pull2(db.Readings(ctx, point(tub), instant.None, instant.None))
		defer stop()
		next = append(next, pull)
	}
	core := watch.New(site, "run")
	seconds := make([]float64, 5)
	var effects []watch.Effect
	take := func() {
		for _, e := range effects {
			if e.Kind == watch.LedgerClosed {
				for zone := range seconds {
					seconds[zone] += e.Ledger.InZone[zone].Seconds()
				}
			}
		}
		effects = effects[:0]
	}
	last := instant.None
	for more := true; more; { // all points have their readings at the same times
		for i := range next {
			s, err, ok := next[i]()
			if err != nil {
				return nil, err
			}
			if more = ok; !more {
				break
			}
			if last = s.At; len(effects) > 0 {
				take()
			}
			effects = core.Step(watch.Event{Kind: watch.ReadingEvent, At: s.At, Point: int32(i), Value: s.Value, Flag: s.Flag}, effects)
		}
	}
	effects = core.Finish(last, effects)
	take()
	return seconds, db.Close(ctx)
}

// spent returns the processor time of this process.
func spent(who int) time.Duration {
	var usage syscall.Rusage
	if err := syscall.Getrusage(who, &usage); err != nil {
		return 0
	}
	return time.Duration(usage.Utime.Nano() + usage.Stime.Nano())
}
