package main

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// stored is the same readings, with each of the three.
type stored struct {
	paths      map[string]string // by the name of the answerer
	tsdb       string            // the program of the engine
	points     int
	begin, end time.Time
	readings   int
	bytes      map[string]float64 // on disk
	written    map[string]float64 // handed to the system
	spent      map[string]float64 // s of processor, for all of it
}

var names = []string{"dewline", "sqlite", "tsdb"}

// fill writes days of points, a reading every ten seconds, committed every minute as the daemon does or in the far larger parts in which a
// past is brought in.
func fill(ctx context.Context, folder, tsdb string, points, days int, commit time.Duration) (*stored, error) {
	s := &stored{
		paths: map[string]string{}, tsdb: tsdb, points: points, begin: time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC),
		bytes: map[string]float64{}, written: map[string]float64{}, spent: map[string]float64{},
	}
	s.end = s.begin.AddDate(0, 0, days)
	for _, name := range names {
		s.paths[name] = filepath.Join(folder, fmt.Sprintf("%s-%d-%d-%s", name, points, days, commit))
		if err := s.fillOne(ctx, name, commit); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	return s, nil
}

func (s *stored) fillOne(ctx context.Context, name string, commit time.Duration) error {
	var hours []string
	if commit > time.Minute {
		hours = []string{"24"}
	}
	to, err := open(ctx, name, s.paths[name], s.tsdb, hours...)
	if err != nil {
		return err
	}
	to.begin()
	random := rand.New(rand.NewPCG(1, 2))
	s.readings = 0
	for at := s.begin; at.Before(s.end); at = at.Add(10 * time.Second) {
		if random.IntN(5000) == 0 {
			at = at.Add(10 * time.Minute) // a gap
		}
		hours := at.Sub(s.begin).Hours()
		for tub := 1; tub <= s.points; tub++ {
			value := 22.5 + 2.5*math.Sin((hours-float64(tub))*2*math.Pi/24) + 1.5*math.Sin(hours/100) + 0.02*random.NormFloat64()
			to.reading(tub, at, math.Round(value/0.0625)*0.0625)
			s.readings++
		}
		if at.Sub(s.begin)%commit == 0 {
			to.commit()
		}
	}
	if err := to.filled(); err != nil {
		return err
	}
	if s.written[name], err = to.of("io", "wchar"); err != nil {
		return err
	}
	if err := to.close(); err != nil {
		return err
	}
	state := to.command.ProcessState
	s.spent[name], s.bytes[name] = (state.UserTime() + state.SystemTime()).Seconds(), to.bytes()
	return nil
}

func (s *stored) counted() string {
	if s.points == 1 {
		return "one point"
	}
	return fmt.Sprintf("%d points", s.points)
}

// perReading is the bytes on disk of a reading.
func (s *stored) perReading(name string) float64 { return s.bytes[name] / float64(s.readings) }

// queried is what the columns of a day, a month and the whole of one point take in one process, one after the other, run by run.
type queried struct {
	ms     [3]map[string]spread // of processor time
	memory map[string]spread    // MB resident at most
}

const columns = 1200

func (s *stored) query(ctx context.Context, runs int) (q queried, err error) {
	q.memory = map[string]spread{}
	for i := range q.ms {
		q.ms[i] = map[string]spread{}
	}
	for range runs {
		for _, name := range names {
			of, err := open(ctx, name, s.paths[name], s.tsdb)
			if err != nil {
				return q, err
			}
			for i, days := range []int{1, 30, int(s.end.Sub(s.begin) / (24 * time.Hour))} {
				took, err := of.columns(s.end.AddDate(0, 0, -days), s.end)
				if err != nil {
					return q, fmt.Errorf("%s: %w", name, err)
				}
				q.ms[i][name] = append(q.ms[i][name], took*1000)
			}
			kilobytes, err := of.of("status", "VmHWM")
			if err != nil {
				return q, err
			}
			q.memory[name] = append(q.memory[name], kilobytes*1024/1e6)
			if err := of.close(); err != nil {
				return q, err
			}
		}
	}
	return q, nil
}

// columns returns the processor seconds of mean, least and greatest of each column of the first point.
func (a *answerer) columns(from, to time.Time) (float64, error) {
	if !a.sql {
		answer, err := a.ask(fmt.Sprintf("columns %d %d %d", from.UnixMilli(), to.UnixMilli(), columns))
		if err != nil {
			return 0, err
		}
		count, took, _ := strings.Cut(answer, " ")
		if n, err := strconv.Atoi(count); err != nil || n < columns*9/10 || n > columns {
			return 0, fmt.Errorf("%s of %d columns came", count, columns)
		}
		return strconv.ParseFloat(took, 64)
	}
	// The shell prints what it took after each statement; of the columns themselves the last line says how many there are.
	line, err := a.ask(fmt.Sprintf(`.timer on
SELECT count(mean), sum(least), sum(most) FROM (SELECT avg(value) AS mean, min(value) AS least, max(value) AS most FROM reading WHERE point = 1 AND at >= %[1]d AND at < %[2]d GROUP BY (at - %[1]d) * %[3]d / (%[2]d - %[1]d));
.timer off`, from.UnixMilli(), to.UnixMilli(), columns))
	if err != nil {
		return 0, err
	}
	line, _, _ = strings.Cut(line, " ")
	if n, err := strconv.Atoi(line); err != nil || n < columns*9/10 || n > columns {
		return 0, fmt.Errorf("%s of %d columns came", line, columns)
	}
	took, err := a.line()
	if err != nil {
		return 0, err
	}
	var real, user, system float64
	if _, err := fmt.Sscanf(took, "Run Time: real %f user %f sys %f", &real, &user, &system); err != nil {
		return 0, fmt.Errorf("%s: %w", took, err)
	}
	return user + system, nil
}
