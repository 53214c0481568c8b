package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
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

// replayed is the comparison of a replay.
type replayed struct {
	pair
	version             string
	ourBytes, peerBytes float64
}

// windowQuery asks SQLite the question of the ledger: seconds in each zone, along the straight lines between readings that are at most a
// minute apart, and unknown elsewhere.
const windowQuery = `
WITH pair AS (
	SELECT at AS t0, value AS v0, lead(at) OVER w AS t1, lead(value) OVER w AS v1 FROM reading WINDOW w AS (ORDER BY at)
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

// compareReplay asks both the same question, and fails where the answers differ by more than a second in all.
func compareReplay(ctx context.Context, folder string, days, runs int) (replayed, error) {
	r := replayed{}
	ours, peer := filepath.Join(folder, "history.db"), filepath.Join(folder, "rows.db")
	count, err := fill(ctx, ours, peer, days)
	if err != nil {
		return r, err
	}
	r.ourBytes, r.peerBytes = bytesOf(ours)/float64(count), bytesOf(peer)/float64(count)
	out, err := exec.CommandContext(ctx, "sqlite3", "--version").Output()
	if err != nil {
		return r, fmt.Errorf("sqlite3 is needed (package sqlite3): %w", err)
	}
	r.version, _, _ = strings.Cut(string(out), " ")
	for range runs {
		began := spent(syscall.RUSAGE_SELF)
		mine, err := zonesOfCore(ctx, ours)
		if err != nil {
			return r, err
		}
		r.ours = append(r.ours, (spent(syscall.RUSAGE_SELF) - began).Seconds())
		command := exec.CommandContext(ctx, "sqlite3", "-readonly", "-separator", " ", peer, fmt.Sprintf(windowQuery, criticalLow, low, high, criticalHigh))
		answer, err := command.Output()
		if err != nil {
			return r, fmt.Errorf("sqlite3: %w", err)
		}
		r.peer = append(r.peer, (command.ProcessState.UserTime() + command.ProcessState.SystemTime()).Seconds())
		for i, text := range strings.Fields(string(answer)) {
			theirs, err := strconv.ParseFloat(text, 64)
			if err != nil {
				return r, err
			}
			if math.Abs(theirs-mine[i]) > 1 {
				return r, fmt.Errorf("%s: dewline says %.3f s, SQLite %.3f s", watch.Zone(i), mine[i], theirs)
			}
		}
	}
	return r, nil
}

// fill writes the same readings into a history and into a table.
func fill(ctx context.Context, ours, peer string, days int) (count int, err error) {
	db, err := store.Open(ours, store.Options{})
	if err != nil {
		return 0, err
	}
	load := exec.CommandContext(ctx, "sqlite3", peer)
	rows, err := load.StdinPipe()
	if err != nil {
		return 0, err
	}
	if err := load.Start(); err != nil {
		return 0, err
	}
	fmt.Fprintln(rows, "CREATE TABLE reading (at INTEGER PRIMARY KEY, value REAL NOT NULL); BEGIN;")
	random := rand.New(rand.NewPCG(1, 2))
	begin := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	for s := 0; s < days*86400; s += 10 {
		if random.IntN(5000) == 0 {
			s += 600 // a gap
		}
		hours := float64(s) / 3600
		value := math.Round((22.5+2.5*math.Sin(hours*2*math.Pi/24)+1.5*math.Sin(hours/100)+0.02*random.NormFloat64())/0.0625) * 0.0625
		at := begin.Add(time.Duration(s) * time.Second)
		db.Append("run", tub, instant.Of(at), value, quantity.Pass, 0.0625)
		fmt.Fprintf(rows, "INSERT INTO reading VALUES (%d, %g);\n", at.UnixMilli(), value)
		if count++; count%100_000 == 0 {
			if err := db.Commit(ctx); err != nil {
				return 0, err
			}
		}
	}
	fmt.Fprintln(rows, "COMMIT;")
	if err := rows.Close(); err != nil {
		return 0, err
	}
	if err := load.Wait(); err != nil {
		return 0, fmt.Errorf("filling the table: %w", err)
	}
	return count, db.Close(ctx)
}

var tub = quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}

// zonesOfCore folds the history, with alarms, exposure and outlook as the daemon does, and returns the seconds in the five zones with a value.
func zonesOfCore(ctx context.Context, path string) ([]float64, error) {
	db, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	band := care.NoBand()
	copy(band.Limits[:], []float64{criticalLow, low, high, criticalHigh})
	core := watch.New(watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{Location: time.UTC, AlwaysDay: true},
		Places: []watch.Place{{ID: "tub-1", Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: {Day: band, Night: band}}}},
		Points: []watch.Point{{Point: tub, Gap: time.Minute, Accuracy: 0.5}},
	}, "run")
	seconds := make([]float64, 5)
	var effects []watch.Effect
	take := func() {
		for _, e := range effects {
			if e.Kind == watch.LedgerClosed && e.Point == 0 {
				for zone := range seconds {
					seconds[zone] += e.Ledger.InZone[zone].Seconds()
				}
			}
		}
		effects = effects[:0]
	}
	last := instant.None
	for s, err := range db.Readings(ctx, tub, instant.None, instant.None) {
		if err != nil {
			return nil, err
		}
		if last = s.At; len(effects) > 0 {
			take()
		}
		effects = core.Step(watch.Event{Kind: watch.ReadingEvent, At: s.At, Value: s.Value, Flag: s.Flag}, effects)
	}
	effects = core.Finish(last, effects)
	take()
	return seconds, db.Close(ctx)
}

func bytesOf(path string) float64 {
	info, err := os.Stat(path)
	if err != nil {
		return math.NaN()
	}
	return float64(info.Size())
}

// spent returns the processor time of this process.
func spent(who int) time.Duration {
	var usage syscall.Rusage
	if err := syscall.Getrusage(who, &usage); err != nil {
		return 0
	}
	return time.Duration(usage.Utime.Nano() + usage.Stime.Nano())
}
