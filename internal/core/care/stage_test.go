package care

import (
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestStagesParseBack(t *testing.T) {
	all := All()
	assert.True(t, slices.IsSorted(all), "in the order of life")
	for _, s := range all {
		parsed, err := Parse(s.String())
		require.NoError(t, err)
		assert.Equal(t, s, parsed)
	}
	for _, name := range []string{"", "Larva", "tadpoles", "larva "} {
		parsed, err := Parse(name)
		require.ErrorContains(t, err, "egg, larva or tadpole, metamorph, juvenile or froglet, adult", "%q", name)
		assert.Equal(t, NoStage, parsed)
	}
}

func TestCommonNamesOfStages(t *testing.T) {
	for name, want := range map[string]Stage{"tadpole": Larva, "froglet": Juvenile} {
		parsed, err := Parse(name)
		require.NoError(t, err)
		assert.Equal(t, want, parsed)
	}
}

func TestStagesInJSON(t *testing.T) {
	type record struct{ Stage Stage }
	for _, s := range append(All(), NoStage) {
		data, err := json.Marshal(record{s})
		require.NoError(t, err)
		var back record
		require.NoError(t, json.Unmarshal(data, &back))
		assert.Equal(t, s, back.Stage)
	}
	back := record{Larva}
	require.Error(t, json.Unmarshal([]byte(`{"Stage":"imago"}`), &back))
	assert.Equal(t, Larva, back.Stage, "nothing is returned with an error")
}

func TestStageAt(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2026, 9, n, 0, 0, 0, 0, time.UTC) }
	timeline := []Since{{Egg, day(1)}, {Larva, day(10)}, {Larva, day(12)}, {Metamorph, day(20)}, {Juvenile, day(20)}}
	cases := []struct {
		name string
		at   time.Time
		want Stage
	}{
		{"before the first entry", day(1).Add(-1), NoStage},
		{"at the first entry", day(1), Egg},
		{"just before a change", day(10).Add(-1), Egg},
		{"at a change", day(10), Larva},
		{"said twice", day(13), Larva},
		{"two at one time: the later entry holds", day(20), Juvenile},
		{"long after", day(20).AddDate(10, 0, 0), Juvenile},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, StageAt(timeline, c.at)) })
	}
	assert.Equal(t, NoStage, StageAt(nil, day(1)))
}

// On a timeline whose stages follow the order of life a later time is never at an earlier stage, each entry is in
// force at its own time, and nothing changes between entries.
func TestStageAtIsMonotone(t *testing.T) {
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		stages := rapid.SliceOfNDistinct(rapid.SampledFrom(All()), 1, 5, rapid.ID).Draw(t, "stages")
		slices.Sort(stages)
		at := begin
		var timeline []Since
		for _, s := range stages {
			at = at.Add(time.Duration(rapid.IntRange(1, 1000).Draw(t, "hours")) * time.Hour)
			timeline = append(timeline, Since{s, at})
		}
		for i, entry := range timeline {
			require.Equal(t, entry.Stage, StageAt(timeline, entry.At))
			before := NoStage
			if i > 0 {
				before = timeline[i-1].Stage
			}
			require.Equal(t, before, StageAt(timeline, entry.At.Add(-1)))
		}
		times := rapid.SliceOfN(rapid.IntRange(-10, 6000), 2, 20).Draw(t, "times")
		slices.Sort(times)
		last := NoStage
		for _, hours := range times {
			now := StageAt(timeline, begin.Add(time.Duration(hours)*time.Hour))
			require.GreaterOrEqual(t, now, last)
			last = now
		}
	})
}
