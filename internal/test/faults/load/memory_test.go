package main

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// growing invents a collection every second: a heap of so many MiB, growing by so many a minute, with up to so many under way.
func growing(took time.Duration, begin, perMinute, underWay float64) []collection {
	chance := rand.New(rand.NewPCG(1, 2))
	var list []collection
	for at := time.Duration(0); at < took; at += time.Second {
		list = append(list, collection{at: at, live: begin + perMinute*at.Minutes() + underWay*chance.Float64()})
	}
	return list
}

func TestSlope(t *testing.T) {
	collections := growing(10*time.Minute, 5, 0.1, 0)
	assert.InDelta(t, 6, slope(collections), 1e-9)
	assert.Zero(t, slope(collections[:1]))
}

func TestTraceIsRead(t *testing.T) {
	const log = `time=2026-09-01T12:00:00Z level=INFO msg=watching
gc 1 @0.020s 3%: 0.10+2.4+0.007 ms clock, 0.22+0.57/0.76/0+0.014 ms cpu, 3->3->1 MB, 4 MB goal, 0 MB stacks, 0 MB globals, 2 P
gc 2 @10.500s 1%: 1.9+48+0.044 ms clock, 3.8+4.7/22/18+0.089 ms cpu, 57->61->35 MB, 65 MB goal, 0 MB stacks, 0 MB globals, 2 P
gc 3 @11.000s 1%: 1.9+48+0.044 ms clock, 3.8+4.7time=2026-09-01T12:00:11Z level=INFO msg="a line between"
/22/18+0.089 ms cpu, 57->61->36 MB, 65 MB goal, 0 MB stacks, 0 MB globals, 2 P
gc 4 @12.250s 1%: 1.9+48+0.044 ms clock, 3.8+4.7/22/18+0.089 ms cpu, 57->61->37 MB, 65 MB goal, 0 MB stacks, 0 MB globals, 2 P (forced)`
	found, err := readTrace(strings.NewReader(log), 10*time.Second)
	require.NoError(t, err)
	assert.Equal(t, []collection{{500 * time.Millisecond, 35}, {2250 * time.Millisecond, 37}}, found)
}

func TestTraceBesideOtherSettings(t *testing.T) {
	for _, c := range []struct{ already, want string }{{"", "GODEBUG=gctrace=1"}, {"madvdontneed=1", "GODEBUG=madvdontneed=1,gctrace=1"}} {
		t.Setenv("GODEBUG", c.already)
		environment := traceEnvironment()
		assert.Equal(t, c.want, environment[len(environment)-1]) // the last of a name is the one that counts (os/exec, Cmd.Env)
	}
}

func TestMemoryIsJudged(t *testing.T) {
	const warm = 280 * time.Second
	for _, c := range []struct {
		name                       string
		took                       time.Duration
		begin, perMinute, underWay float64
		words                      string
	}{
		{"nothing grows", 10 * time.Minute, 45, 0, 0, "flat: "},
		{"much is under way, and nothing grows", 10 * time.Minute, 45, 0, 30, "flat: "},
		{"one MiB a minute of forty-five", 10 * time.Minute, 45, 1.2, 0, "not flat: "},
		{"likewise, and much is under way", 10 * time.Minute, 35, 1.6, 20, "not flat: "},
		{"little more than the trace can show", 10 * time.Minute, 6, 0.3, 0, "flat: "},
		{"shrinking", 10 * time.Minute, 60, -3, 0, "flat: "},
		{"over before the chunks have grown", 9 * time.Minute, 45, 3, 0, "too short to judge: "},
		{"hardly a collection", 10 * time.Minute, 45, 3, 0, "too short to judge: "},
	} {
		t.Run(c.name, func(t *testing.T) {
			collections := growing(c.took, c.begin, c.perMinute, c.underWay)
			if c.name == "hardly a collection" {
				collections = collections[:len(collections)/2+9]
			}
			v := judge(collections, c.took, warm)
			assert.True(t, strings.HasPrefix(v.words, c.words), v.words)
			assert.Equal(t, c.words == "not flat: ", v.grows)
		})
	}
}

// What grows in the first half alone is the warming up, and is not held against the program.
func TestWarmingUpIsNoGrowth(t *testing.T) {
	collections := growing(10*time.Minute, 45, 0, 0)
	for i := range collections[:len(collections)/2] {
		collections[i].live = 20
	}
	v := judge(collections, 10*time.Minute, 280*time.Second)
	assert.False(t, v.grows, v.words)
	assert.Contains(t, v.words, "300 collections")
}

func TestDefaultsAreLongEnoughToFindALeak(t *testing.T) {
	for _, arguments := range [][]string{nil, {"--soak"}} {
		o, err := parse(arguments)
		require.NoError(t, err)
		assert.GreaterOrEqual(t, o.real(o.length)/2, o.warm())
	}
	o, err := parse(nil)
	require.NoError(t, err)
	assert.Equal(t, 10*time.Minute, o.length)
}

func TestMinutes(t *testing.T) {
	collections := []collection{{0, 30}, {30 * time.Second, 20}, {59 * time.Second, 40}, {time.Minute, 25}, {125 * time.Second, 50}}
	seen := []vitals{{at: 10 * time.Second, resident: 1}, {at: 60 * time.Second, resident: 2}, {at: 119 * time.Second, resident: 3}, {at: 150 * time.Second, resident: 4}}
	assert.Equal(t, []stretch{
		{until: time.Minute, collections: 3, lowest: 20, mean: 30, vitals: seen[1]},
		{until: 2 * time.Minute, collections: 1, lowest: 25, mean: 25, vitals: seen[2]},
		{until: 150 * time.Second, collections: 1, lowest: 50, mean: 50, vitals: seen[3]},
	}, stretches(collections, seen, 150*time.Second))
	assert.Len(t, stretches(collections, seen, 140*time.Second), 2, "a rest of twenty seconds belongs to the minute before it")
	assert.LessOrEqual(t, len(stretches(growing(24*time.Hour, 1, 0, 0), seen, 24*time.Hour)), 60)
}
