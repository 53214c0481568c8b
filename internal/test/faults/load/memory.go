package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strconv"
	"time"

	"dewline/internal/store"
)

// collection is what the garbage collector has left alive.
type collection struct {
	at   time.Duration // since the counting began
	live float64       // MiB
}

// traceEnvironment makes the daemon write a line for each collection beside its log. A look at /metrics finds only the last one, and by
// chance that one came while a picture was being written: single looks differ by a third where nothing grows.
func traceEnvironment() []string {
	setting := "gctrace=1"
	if already := os.Getenv("GODEBUG"); already != "" {
		setting = already + "," + setting
	}
	return append(os.Environ(), "GODEBUG="+setting)
}

// traced is the line of a collection as package runtime documents it (gctrace). A line into which the log has written is not matched.
var traced = regexp.MustCompile(`^gc \d+ @([0-9.]+)s .* \d+->\d+->(\d+) MB, \d+ MB goal`)

// readTrace finds the collections in the log of a daemon, from a time after its start on.
func readTrace(log io.Reader, from time.Duration) ([]collection, error) {
	var found []collection
	lines := bufio.NewReader(log)
	for {
		line, err := lines.ReadString('\n')
		if m := traced.FindStringSubmatch(line); m != nil {
			at, errAt := strconv.ParseFloat(m[1], 64)
			live, errLive := strconv.ParseFloat(m[2], 64)
			if err := errors.Join(errAt, errLive); err != nil {
				return nil, fmt.Errorf("the line of a collection %q: %w", line, err)
			}
			if c := (collection{at: time.Duration(at*float64(time.Second)) - from, live: live}); c.at >= 0 {
				found = append(found, c)
			}
		}
		if err == io.EOF {
			return found, nil
		}
		if err != nil {
			return nil, err
		}
	}
}

// What may be seen of growth where there is none: collections find more or less under way.
const (
	flatShare = 0.10 // of the mean
	flatMiB   = 2.0  // or this much, if that is more: the trace has whole MiB
)

// verdict says in words whether memory is flat, and by which rule.
type verdict struct {
	words string
	grows bool
}

// judge draws a straight line through the live heap after each collection in the second half of a run. The readings of a point wait in
// memory for their chunk to be full; the room for them doubles, for the last time when the chunk is little more than half full. Until then
// growth is no leak, so the second half must begin later than two thirds of the time that a chunk takes.
func judge(collections []collection, took time.Duration, warm time.Duration) verdict {
	if half := took / 2; half < warm {
		return verdict{words: fmt.Sprintf("too short to judge: the second half begins after %s, and the chunks of the history grow until %s",
			half.Round(time.Second), warm.Round(time.Second))}
	}
	var later []collection
	for _, c := range collections {
		if c.at >= took/2 && c.at < took {
			later = append(later, c)
		}
	}
	const enough = 10
	if len(later) < enough {
		return verdict{words: fmt.Sprintf("too short to judge: %d collections in the second half, %d are needed", len(later), enough)}
	}
	mean := 0.0
	for _, c := range later {
		mean += c.live / float64(len(later))
	}
	rise := slope(later) * (took - took/2).Hours()
	allowed := max(flatMiB, flatShare*mean)
	v := verdict{grows: rise > allowed}
	flat := "flat"
	if v.grows {
		flat = "not flat"
	}
	v.words = fmt.Sprintf("%s: a straight line through the live heap after the %d collections of the second half rises by %+.1f MiB, that is %+.1f %% of their mean of %.1f MiB; "+
		"allowed are %.0f %%, at least %.0f MiB", flat, len(later), rise, 100*rise/mean, mean, 100*flatShare, flatMiB)
	return v
}

// slope fits a straight line by least squares and returns its rise per hour.
func slope(collections []collection) float64 {
	var n, sx, sy, sxx, sxy float64
	for _, c := range collections {
		x, y := c.at.Hours(), c.live
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	if d := n*sxx - sx*sx; d > 0 {
		return (n*sxy - sx*sy) / d
	}
	return 0
}

// warm is how long the room for the open chunks may grow, by the machine's clock.
func (o *options) warm() time.Duration {
	return o.real(min(store.ChunkReadings*o.every, store.ChunkSpan)) * 2 / 3
}

// stretch is what was seen in a minute, or in several of a long run.
type stretch struct {
	until        time.Duration
	collections  int
	lowest, mean float64 // live heap, MiB
	vitals               // the last look
}

// stretches sums up a run by the minute, or in sixty parts where that would be more.
func stretches(collections []collection, seen []vitals, took time.Duration) []stretch {
	length := max(time.Minute, (took / 60).Round(time.Minute))
	var list []stretch
	for from, until := time.Duration(0), length; from < took; from, until = until, until+length {
		if took-until < length/2 { // a rest that is no minute of its own
			until = took
		}
		s := stretch{until: until}
		for _, c := range collections {
			if c.at < from || c.at >= s.until {
				continue
			}
			if s.collections++; s.collections == 1 || c.live < s.lowest {
				s.lowest = c.live
			}
			s.mean += (c.live - s.mean) / float64(s.collections)
		}
		looked := false
		for _, v := range seen {
			if v.at >= from && v.at <= s.until {
				s.vitals, looked = v, true
			}
		}
		if looked && s.collections > 0 {
			list = append(list, s)
		}
	}
	return list
}
