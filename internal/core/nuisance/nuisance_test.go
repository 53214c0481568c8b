package nuisance_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
)

func at(seconds float64) instant.Instant {
	return instant.Of(time.Date(2026, 7, 17, 12, 0, 0, 0, time.UTC)).Add(time.Duration(seconds * float64(time.Second)))
}

// TestFloodVector: minutes of annunciations within an hour, and the bins in flood. The starts and ends are those of EEMUA 191 and
// ANSI/ISA-18.2-2016 clause 16, read through public digests; the times are invented.
func TestFloodVector(t *testing.T) {
	bins := map[int64]int{}
	for _, minute := range []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 9.5, 12, 13, 14, 21, 22, 23, 24, 40, 55} {
		bins[nuisance.BinOf(at(60*minute))]++
	}
	var counts []int
	var floods []bool
	flood := false
	for b := nuisance.BinOf(at(0)); b < nuisance.BinOf(at(3600)); b++ {
		flood = nuisance.InFlood(flood, bins[b])
		counts, floods = append(counts, bins[b]), append(floods, flood)
	}
	assert.Equal(t, []int{11, 3, 4, 0, 1, 1}, counts)
	assert.Equal(t, []bool{true, false, false, false, false, false}, floods)
	for n, want := range map[int][2]bool{4: {false, false}, 5: {false, true}, 10: {false, true}, 11: {true, true}} {
		assert.Equal(t, want, [2]bool{nuisance.InFlood(false, n), nuisance.InFlood(true, n)}, n)
	}
}

func TestBinsAreAlignedToUTC(t *testing.T) {
	assert.Equal(t, at(600), nuisance.BinStart(nuisance.BinOf(at(600))))
	assert.Equal(t, at(600), nuisance.BinStart(nuisance.BinOf(at(1199.999))))
	assert.Equal(t, int64(-1), nuisance.BinOf(-1))
	assert.Equal(t, int64(-1), nuisance.BinOf(instant.Instant(-10*time.Minute)))
}

func TestCalls(t *testing.T) {
	for _, c := range []struct {
		kind       journal.Kind
		was, state isa.State
		is         string
	}{
		{journal.AlarmRaised, "A", "B", "yes"}, {journal.AlarmRepeated, "B", "B", "yes"}, {journal.AlarmRepeated, "C", "B", "yes"},
		{journal.AlarmUnshelved, "G", "B", "yes"}, {journal.AlarmRaised, "H", "H", "no"}, {journal.AlarmCleared, "B", "D", "no"},
		{journal.AlarmUnshelved, "B", "B", "no"}, {journal.Chattering, "", "", "no"},
	} {
		e := &journal.Entry{Kind: c.kind, Alarm: "tub-1/water-temperature/high", Was: c.was, State: c.state}
		assert.Equal(t, c.is == "yes", nuisance.Calls(e), c)
	}
}

// The numbers are common practice, no published source.
func TestChatteringAndFleeting(t *testing.T) {
	stays := func(times ...float64) (list []nuisance.Stay) {
		for i := 0; i+1 < len(times); i += 2 {
			list = append(list, nuisance.Stay{Raised: at(times[i]), Cleared: at(times[i+1])})
		}
		if len(times)%2 == 1 {
			list = append(list, nuisance.Stay{Raised: at(times[len(times)-1]), Cleared: instant.None})
		}
		return list
	}
	assert.True(t, nuisance.Chatters(stays(0, 10, 20, 30, 50, 60), 0))
	assert.False(t, nuisance.Chatters(stays(0, 10, 20, 30, 50, 60.001), 0), "more than a minute")
	assert.False(t, nuisance.Chatters(stays(0, 10, 20, 30, 50), 0), "it stands")
	assert.False(t, nuisance.Chatters(stays(0, 10, 20, 30), 0), "twice")
	assert.False(t, nuisance.Chatters(stays(0, 10, 20, 30), -1))
	assert.True(t, nuisance.Fleeting(stays(0, 9.9), 0))
	assert.False(t, nuisance.Fleeting(stays(0, 10), 0))
	assert.False(t, nuisance.Fleeting(stays(0), 0))
	assert.False(t, nuisance.Fleeting(stays(0, 5, 65, 70), 0), "repeated")
	assert.False(t, nuisance.Fleeting(stays(0, 5, 65, 70), 1), "a repetition")
	assert.True(t, nuisance.Fleeting(stays(0, 5, 65.1, 70), 0))
}
