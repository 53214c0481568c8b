package notify_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

var (
	keeper    = notify.Rule{Notifier: "keeper", Priorities: []care.Priority{care.HighPriority, care.CriticalPriority}}
	thread    = notify.Rule{Notifier: "thread", Priorities: keeper.Priorities, Updates: true}
	neighbour = notify.Rule{Notifier: "neighbour", Priorities: extreme, After: 20 * time.Minute}
)

const (
	tubCritical  = "tub-1/water-temperature/critical-high"
	tub2Critical = "tub-2/water-temperature/critical-high"
	tub3Critical = "tub-3/water-temperature/critical-high"
	roomHigh     = "loft/air-temperature/high"
)

// twoTubs is the loft with critical limits in both tubs: high 24 °C, critical 27 °C; the room's 26 °C and 28 °C.
func twoTubs() watch.Site {
	site := northLoft()
	site.Places[0].Bands = map[quantity.Quantity]care.DayNight{quantity.AirTemperature: band(16, 26, 28)}
	for i := range site.Places[1:] {
		site.Places[1+i].Bands = map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: band(20, 24, 27)}
	}
	return site
}

// threeTubs is the same with a third tub.
func threeTubs() watch.Site {
	site := twoTubs()
	third := site.Places[2]
	third.ID = "tub-3"
	site.Places = append(site.Places, third)
	site.Points = append(site.Points, watch.Point{Point: quantity.Point{Place: third.ID, Quantity: quantity.WaterTemperature}, Gap: time.Minute})
	return site
}

// heard returns the deliveries that make a sound, and forgets all.
func (l *loft) heard() (list []string) {
	for _, d := range l.log {
		if !d.Silent {
			list = append(list, describe(d))
		}
	}
	l.log = nil
	return list
}

// silent returns the deliveries that update an incident.
func (l *loft) silent() (list []string) {
	for _, d := range l.log {
		if d.Silent {
			list = append(list, describe(d))
		}
	}
	return list
}

func TestOneIncidentIsHeardOnce(t *testing.T) {
	l := openSite(t, twoTubs(), keeper, thread)
	l.run(600, 22, 25, 22)
	assert.Equal(t, []string{"70 keeper call " + tubHigh + " B", "70 thread call " + tubHigh + " B"}, l.heard())
	l.run(600, 22, 25, 25)
	assert.Equal(t, []string{"670 thread call " + tub2High + " B"}, l.silent(), "another tub within half an hour")
	assert.Empty(t, l.heard())
	l.run(600, 27, 25, 25)
	assert.Equal(t, []string{"1270 thread call " + roomHigh + " B"}, l.silent(), "the room itself")
	assert.Empty(t, l.heard())
	l.run(300, 22, 22, 22)
	assert.Len(t, l.silent(), 3, "that it is over")
	assert.Empty(t, l.heard())
	l.run(3600, 22, 22, 22)
	l.run(300, 22, 25, 22)
	assert.Len(t, l.heard(), 2, "another incident")

	incidents := map[string]int{}
	for _, e := range ofKind(l, journal.AlarmRaised) {
		incidents[e.Incident]++
		assert.Equal(t, e.Alarm != tubHigh, e.Silent, "what was not heard is on record as such: %v", e)
	}
	assert.Equal(t, []int{3, 1}, []int{incidents[tubHigh+"@"+at(70).String()], incidents[tubHigh+"@"+at(5770).String()]}, "%v", incidents)
}

func TestWhatBecomesWorseIsHeard(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(600, 22, 25, 22)
	l.run(600, 22, 28, 22)
	assert.Equal(t, []string{"70 keeper call " + tubHigh + " B", "670 keeper call " + tubCritical + " B"}, l.heard())
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
	l.run(600, 22, 28, 28)
	assert.Equal(t, []string{"1270 keeper call " + tub2Critical + " B"}, l.heard(), "another place that is critical on its own side")
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tub2Critical})
	l.run(200, 22, 25, 25)
	l.run(300, 22, 28, 25)
	assert.Equal(t, []string{"2070 keeper call " + tubCritical + " B"}, l.heard(), "it has come back after twenty minutes")
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
	l.run(200, 22, 25, 25)
	l.run(300, 22, 28, 25)
	assert.Empty(t, l.heard(), "it has come back within twenty minutes of its message")
	l.run(800, 22, 28, 25)
	assert.Equal(t, []string{"3270 keeper late " + tubCritical + " B"}, l.heard(), "and is not acknowledged")
}

func TestRepetitionsOfWhatIsCritical(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(4*3600, 22, 28, 22)
	var minutes []int
	for _, d := range l.log {
		if d.Entry.Alarm == tubCritical {
			minutes = append(minutes, int(d.Entry.At.Sub(at(70)).Minutes()))
		}
	}
	assert.Equal(t, []int{0, 10, 20, 40, 80, 160}, minutes)
	assert.Len(t, l.heard(), 7, "and the band's once")

	l = openSite(t, twoTubs(), keeper)
	l.run(1000, 22, 28, 22)
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
	l.heard()
	l.run(4*3600, 22, 28, 22)
	assert.Empty(t, l.heard(), "acknowledged, and nothing has changed")

	l = openSite(t, twoTubs(), keeper)
	l.run(4*3600, 22, 25, 22)
	assert.Len(t, l.heard(), 1, "what is not critical is not repeated")
}

// A message on what is critical names all that is critical in its incident, so that one that gets lost on its way hides nothing; and an
// acknowledgement counts for no place that no message has named.
func TestAMessageNamesAllThatIsCritical(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(400, 22, 28, 22)
	l.run(200, 22, 28, 28)
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
	l.run(3000, 22, 28, 28)
	var critical [][]string
	for _, d := range l.log {
		if d.Entry.Priority == "critical" {
			critical = append(critical, append([]string{describe(d)}, d.Entry.Also...))
		}
	}
	assert.Equal(t, [][]string{
		{"70 keeper call " + tubCritical + " B"},
		{"670 keeper late " + tub2Critical + " B", tubCritical},
		{"1270 keeper again " + tub2Critical + " B", tubCritical},
		{"2470 keeper again " + tub2Critical + " B", tubCritical},
	}, critical)
}

// An acknowledgement of one place counts for no other that only a later message has named, since that one may have been lost.
func TestAnAcknowledgementCountsForWhatItsMessagesNamed(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(300, 22, 28, 22)
	l.run(800, 22, 28, 28)
	assert.Contains(t, l.heard(), "670 keeper late "+tub2Critical+" B")
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
	l.run(2400, 22, 28, 28)
	assert.NotEmpty(t, l.heard(), "tub-2 is not acknowledged")
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tub2Critical})
	l.run(4*3600, 22, 28, 28)
	assert.Empty(t, l.heard())
}

// Places that become critical one after another within minutes are heard one after another: as the next repetition, ten minutes later.
func TestSeveralPlacesThatBecomeCriticalTogether(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(1500, 22, 28, 28)
	assert.Equal(t, []string{
		"70 keeper call " + tubHigh + " B", "70 keeper call " + tubCritical + " B", "670 keeper late " + tub2Critical + " B", "1270 keeper again " + tubCritical + " B",
	}, l.heard())
}

// The room speaks for its enclosures where its own critical alarm was heard: by heat the core covers them, by cold the rules do.
func TestEnclosuresThatFollowTheirRoom(t *testing.T) {
	site := twoTubs()
	b := band(20, 24, 27)
	for _, half := range []*care.Band{&b.Day, &b.Night} {
		half.Limits[care.CriticalLow] = 18
	}
	r := band(16, 26, 28)
	for _, half := range []*care.Band{&r.Day, &r.Night} {
		half.Limits[care.CriticalLow] = 14
	}
	site.Places[0].Bands[quantity.AirTemperature] = r
	for i := range site.Places[1:] {
		site.Places[1+i].Bands = map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: b}
	}
	l := openSite(t, site, keeper)
	l.run(600, 10, 22, 22)
	assert.Equal(t, []string{"70 keeper call loft/air-temperature/low B", "70 keeper call loft/air-temperature/critical-low B"}, l.heard())
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: "loft/air-temperature/critical-low"})
	l.run(1200, 10, 17, 17)
	assert.Empty(t, l.heard(), "the tubs follow")
	l.run(3600, 22, 17, 17)
	assert.Empty(t, l.heard(), "and are slow to come back")
	l.run(2600, 22, 17, 17)
	assert.Empty(t, l.heard(), "for two hours")
	l.run(1300, 22, 17, 17)
	require.NotEmpty(t, l.log)
	assert.Equal(t, notify.Late, l.log[0].Reason, "the room has been back for two hours, and they are not")
	assert.Equal(t, "tub-1/water-temperature/critical-low", l.log[0].Entry.Alarm)
	assert.Equal(t, []string{"tub-2/water-temperature/critical-low"}, l.log[0].Entry.Also)
}

// What two enclosures have in common is their room's doing: they speak for a third, and for the room, while they are critical and for two
// hours after that, and only for what calls within the same night and before their end.
func TestTwoEnclosuresSpeakForTheirRoom(t *testing.T) {
	// both leaves two tubs critical and acknowledged, in a room that is too warm.
	both := func(t *testing.T) *loft {
		l := openSite(t, threeTubs(), keeper)
		l.run(600, 27, 28, 22, 22)
		l.run(600, 27, 28, 28, 22)
		l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
		l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tub2Critical})
		require.Contains(t, l.heard(), "670 keeper call "+tub2Critical+" B")
		return l
	}
	for _, silent := range []struct {
		name  string
		air   float64
		alarm string
	}{
		{"a third tub is no news", 27, tub3Critical},
		{"nor is the room, which covers them by heat", 29, roomCritical},
	} {
		t.Run(silent.name, func(t *testing.T) {
			l := both(t)
			l.run(3*3600, silent.air, 28, 28, 28)
			assert.Empty(t, l.heard())
			a, _ := l.core.Alarm(silent.alarm)
			assert.Equal(t, isa.Unacknowledged, a.Letter, "it waits for the keeper")
		})
	}
	t.Run("one that is behind is heard two hours after their end", func(t *testing.T) {
		l := both(t)
		l.run(1200, 27, 28, 28, 28)
		l.run(2*3600, 27, 22, 22, 28)
		assert.Empty(t, l.heard())
		l.run(600, 27, 22, 22, 28)
		assert.Equal(t, []string{"9670 keeper late " + tub3Critical + " B"}, l.heard())
	})
	t.Run("what becomes critical after their end is heard", func(t *testing.T) {
		l := both(t)
		l.run(600, 27, 22, 22, 22)
		l.run(300, 27, 22, 22, 28)
		assert.Equal(t, []string{"1870 keeper call " + tub3Critical + " B"}, l.heard())
	})
	t.Run("so is what becomes critical six hours later", func(t *testing.T) {
		l := both(t)
		l.run(6*3600, 27, 28, 28, 22)
		l.run(300, 27, 28, 28, 28)
		assert.Equal(t, []string{"22870 keeper call " + tub3Critical + " B"}, l.heard())
	})
	t.Run("and what comes after their last repetition, where no one has acknowledged them", func(t *testing.T) {
		l := openSite(t, threeTubs(), keeper)
		l.run(600, 27, 28, 22, 22)
		l.run(3*3600, 27, 28, 28, 22)
		require.Len(t, l.heard(), 7, "band, critical, five repetitions")
		l.run(1200, 27, 28, 28, 28)
		assert.Equal(t, []string{"11470 keeper call " + tub3Critical + " B", "12070 keeper again " + tubCritical + " B"}, l.heard())
	})
	t.Run("one of them alone does not speak", func(t *testing.T) {
		l := both(t)
		l.run(1200, 27, 28, 22, 22)
		l.run(300, 27, 28, 22, 28)
		assert.Equal(t, []string{"2470 keeper call " + tub3Critical + " B"}, l.heard())
	})
	t.Run("the next person is not called for what makes no sound", func(t *testing.T) {
		for _, acknowledged := range []bool{true, false} {
			l := openSite(t, threeTubs(), keeper, neighbour)
			l.run(600, 27, 28, 22, 22)
			l.run(300, 27, 28, 28, 22)
			if acknowledged {
				l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
				l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tub2Critical})
			}
			l.run(3600, 27, 28, 28, 28)
			called := slices.ContainsFunc(l.heard(), func(d string) bool { return strings.Contains(d, " neighbour ") })
			assert.Equal(t, !acknowledged, called)
		}
	})
	t.Run("where they are not acknowledged, the room repeats", func(t *testing.T) {
		l := openSite(t, threeTubs(), keeper)
		l.run(600, 27, 28, 22, 22)
		l.run(300, 27, 28, 28, 22)
		l.heard()
		l.run(3600, 29, 28, 28, 28)
		assert.Equal(t, []string{"1270 keeper again " + roomCritical + " B", "2470 keeper again " + roomCritical + " B"}, l.heard())
		l.command(watch.Command{Verb: watch.Acknowledge, Alarm: roomCritical})
		l.run(2*3600, 29, 28, 28, 28)
		assert.Empty(t, l.heard())
	})
	t.Run("nor where they are acknowledged once it covers them", func(t *testing.T) {
		l := openSite(t, threeTubs(), keeper)
		l.run(600, 27, 28, 22, 22)
		l.run(300, 27, 28, 28, 22)
		l.heard()
		l.run(200, 29, 28, 28, 28)
		l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
		l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tub2Critical})
		l.restartWith(threeTubs(), keeper)
		l.run(3*3600, 29, 28, 28, 28)
		assert.Empty(t, l.heard())
		l.run(1200, 22, 22, 22, 22)
		assert.Empty(t, l.heard())
	})
	t.Run("their repetitions name it until they are acknowledged", func(t *testing.T) {
		l := openSite(t, threeTubs(), keeper)
		l.run(600, 27, 28, 22, 22)
		l.run(600, 27, 28, 28, 22)
		l.run(1300, 27, 28, 28, 28)
		last := l.log[len(l.log)-1]
		assert.Equal(t, "2470 keeper again "+tubCritical+" B", describe(last))
		assert.Equal(t, []string{tub2Critical, tub3Critical}, last.Entry.Also)
	})
}

// A message on a further place takes the place of the next repetition.
func TestAFurtherPlaceIsARepetition(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(1570, 22, 28, 22)
	l.run(3*3600, 22, 28, 28)
	var minutes []int
	for _, d := range l.log[1:] {
		minutes = append(minutes, int(d.Entry.At.Sub(at(70)).Minutes()))
	}
	assert.Equal(t, []int{0, 10, 20, 30, 80, 160}, minutes)
}

// What is critical again the next day has all its repetitions, whether the day before was acknowledged or not.
func TestTheNextDay(t *testing.T) {
	for _, acknowledged := range []bool{false, true} {
		l := openSite(t, twoTubs(), keeper)
		l.run(300, 22, 28, 22)
		l.run(300, 22, 22, 22)
		if acknowledged {
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
		}
		l.run(3*3600, 22, 22, 22)
		l.heard()
		l.skip(20 * 3600)
		l.run(4*3600, 22, 28, 22)
		assert.Len(t, l.heard(), 7, "band, critical, five repetitions")
	}
}

// A message that is given up takes the place of no repetition.
func TestALostMessageIsNoRepetition(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(80, 22, 28, 22)
	for _, e := range ofKind(l, journal.AlarmRaised) {
		if e.Alarm == tubCritical {
			l.command(watch.Command{Verb: watch.Report, Kind: journal.Lost, Alarm: tubCritical, Occurrence: e.Occurrence, Notifiers: []string{"keeper"}, Text: "given up"})
		}
	}
	l.heard()
	l.run(4*3600, 22, 28, 22)
	var minutes []int
	for _, d := range l.log {
		minutes = append(minutes, int(d.Entry.At.Sub(at(70)).Minutes()))
	}
	assert.Equal(t, []int{1, 11, 21, 40, 80, 160}, minutes)
}

func TestTheNextPersonHearsAnIncidentOnce(t *testing.T) {
	l := openSite(t, twoTubs(), keeper, neighbour)
	l.run(600, 22, 25, 25)
	l.run(2400, 22, 28, 25)
	var next []string
	for _, d := range l.log {
		if d.Notifier == "neighbour" {
			next = append(next, describe(d))
		}
	}
	assert.Equal(t, "1870 neighbour escalated "+tubCritical+" B", next[0], "%v", next)
	assert.Contains(t, next[1], "neighbour again "+tubCritical)

	l = openSite(t, twoTubs(), keeper, neighbour)
	l.run(600, 22, 28, 25)
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
	l.run(7200, 22, 28, 25)
	for _, d := range l.log {
		assert.NotEqual(t, "neighbour", d.Notifier, "acknowledged, also for the other tub: %s", describe(d))
	}
}

// A tub that was critical before its room, and still is when the room's alarm has been acknowledged and is over, is heard again.
func TestCriticalIsHeardAfterItsRoom(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(10, 22, 22, 28)
	l.run(70, 29, 22, 28)
	a, _ := l.core.Alarm(roomCritical)
	l.command(watch.Command{Verb: watch.Acknowledge, Occurrence: a.Occurrence})
	assert.Equal(t, []string{"70 keeper call " + tub2High + " B", "70 keeper call " + tub2Critical + " B"}, l.heard())
	l.run(1860, 22, 22, 28)
	assert.Equal(t, []string{"1270 keeper late " + tub2Critical + " B", "1870 keeper again " + tub2Critical + " B"}, l.heard())
}

// The same alarm three times in seven days goes silent, with one message a week; critical never does.
func TestAFrequentAlarmGoesSilent(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	const day = 24 * 3600
	for range 4 {
		l.run(600, 22, 25, 22)
		l.run(600, 22, 22, 22)
		l.skip(2*day - 1200)
	}
	var what []string
	for _, d := range l.log {
		what = append(what, d.Reason.String()+" "+d.Entry.Alarm)
	}
	assert.Equal(t, []string{"call " + tubHigh, "call " + tubHigh, "advice " + tubHigh}, what)
	advice := ofKind(l, journal.Frequent)
	require.Len(t, advice, 1)
	assert.Contains(t, advice[0].Text, "compare this probe")
	l.heard()
	l.run(600, 22, 28, 22)
	assert.Equal(t, []string{fmt.Sprintf("%d keeper call %s B", l.now-530, tubCritical)}, l.heard())
	l.run(600, 22, 22, 22)
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
	l.restartWith(twoTubs(), keeper)
	l.skip(day)
	l.run(600, 22, 25, 22)
	assert.Empty(t, l.heard(), "a restart forgets nothing")
	l.run(600, 22, 22, 22)
	l.skip(8 * day)
	l.run(600, 22, 25, 22)
	assert.Len(t, l.heard(), 1, "it has become rare")
}

// An alarm that has gone silent stays so until it has stayed away for a week, and its message comes again after one, two and four weeks.
func TestAFrequentAlarmIsSilentUntilItIsRare(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	const day = 24 * 3600
	var heard []string
	for n := range 40 { // twice in three days, for eight weeks
		l.run(600, 22, 25, 22)
		for _, d := range l.log {
			heard = append(heard, fmt.Sprintf("%d %s", n, d.Reason))
		}
		l.log = nil
		l.run(600, 22, 22, 22)
		l.skip(3*day/2 - 1200)
		if n == 20 { // with what the daemon reads of the journal
			l.journal = slices.DeleteFunc(l.journal, func(e *journal.Entry) bool {
				return e.Kind != journal.Frequent && at(l.now).Sub(e.At) > 8*day*time.Second
			})
			l.restartWith(twoTubs(), keeper)
		}
	}
	assert.Equal(t, []string{"0 call", "1 call", "2 advice", "7 advice", "17 advice", "36 advice"}, heard)
	l.skip(6 * day)
	l.run(600, 22, 25, 22)
	assert.Len(t, l.heard(), 1, "it had stayed away for more than a week")
	l.run(600, 22, 22, 22)
	for _, c := range []struct{ days, heard int }{{2, 0}, {40, 1}, {2, 1}, {2, 1}, {2, 0}, {2, 0}, {3, 1}} {
		l.skip(c.days * day)
		l.run(600, 22, 25, 22)
		assert.Len(t, l.heard(), c.heard, "after %d days: twice within five weeks of the advice, three times after that, and the advice a week later", c.days)
		l.run(600, 22, 22, 22)
	}
}

// A forecast that comes before an alarm on a limit makes it no rarer, and what comes back within its incident no more frequent.
func TestWhatCountsAsFrequent(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	const day = 24 * 3600
	for n := range 3 {
		foreseen := rising(l.now, n)
		l.rules.Effect(&watch.Effect{Kind: watch.Record, Entry: foreseen})
		l.rules.Effect(&watch.Effect{Kind: watch.Notify, Entry: foreseen})
		l.run(600, 22, 25, 22)
		over := *foreseen
		over.At, over.Kind, over.State, over.Was = at(l.now), journal.AlarmCleared, isa.Normal, isa.Unacknowledged
		l.rules.Effect(&watch.Effect{Kind: watch.Record, Entry: &over})
		l.run(300, 22, 22, 22)
		l.run(600, 22, 25, 22)
		l.run(600, 22, 22, 22)
		l.skip(2 * day)
	}
	var what []string
	for _, d := range l.log {
		what = append(what, d.Reason.String()+" "+d.Entry.Alarm)
	}
	assert.Equal(t, []string{"call " + tubHigh, "call " + tubHigh, "advice " + tubHigh}, what)
}

// rising is the entry of a forecast on the water of tub-1, a notice.
func rising(now, n int) *journal.Entry {
	const alarm = "tub-1/water-temperature/rising"
	return &journal.Entry{
		Seq: uint64(1000 + n), At: at(now), Kind: journal.AlarmRaised, Alarm: alarm, Occurrence: alarm + "@" + at(now).String(), State: isa.Unacknowledged, Was: isa.Normal, Priority: "medium",
	}
}

// A fault that becomes worse is heard, and sensors that fail together are one incident.
func TestFaultsAreOneIncident(t *testing.T) {
	site := twoTubs()
	for i, p := range site.Points[1:] {
		site.Sensors = append(site.Sensors, watch.SensorFeeds{
			ID: fmt.Sprintf("probe-%d", i+1), Channels: []watch.Channel{{Name: "temperature", Feeds: p.Point}}, FaultAfter: time.Minute, Recovery: 10 * time.Minute,
		})
	}
	site.Components = []watch.Component{{ID: journal.HistoryComponent, FaultAfter: time.Minute}}
	l := openSite(t, site, keeper)
	l.run(100, 22, 22, 22)
	for range 40 * 6 {
		l.now += 10
		l.event(watch.Event{Kind: watch.TickEvent})
		for sensor := range int32(2) {
			l.event(watch.Event{Kind: watch.SensorEvent, Sensor: sensor, Failure: "no answer", Flag: quantity.Missing})
		}
		l.event(watch.Event{Kind: watch.ComponentEvent, Failure: "the disk is full", Flag: quantity.Missing})
	}
	heard := l.heard()
	require.Len(t, heard, 2, "%v", heard)
	assert.Contains(t, heard[0], "sensor/history-file/fault", "what is no sensor has its own incident, and calls at once")
	assert.Contains(t, heard[1], "keeper call sensor/probe-1/fault B", "the other one has failed with it")
}

// skip lets time pass without readings.
func (l *loft) skip(seconds int) {
	l.now += seconds
	l.event(watch.Event{Kind: watch.TickEvent})
}

// restartWith starts anew from snapshot and journal, with these rules.
func (l *loft) restartWith(site watch.Site, notifiers ...notify.Rule) {
	state, err := l.core.Snapshot()
	require.NoError(l.t, err)
	l.core = watch.New(site, "run-next")
	require.NoError(l.t, l.core.Restore(state))
	l.rules = notify.New(notifiers)
	l.rules.Site(&site)
	l.rules.Resume(l.journal)
	l.rules.Sync(l.core.Alarms(), at(l.now))
	l.event(watch.Event{Kind: watch.StartEvent, Run: "run-next"})
}

// incidentLaws are what must hold of all that is heard of incidents, whatever the room and the keeper do.
type incidentLaws struct {
	t         *rapid.T
	l         *loft
	worst     map[string]string          // by incident: the worst priority heard
	last      map[string]instant.Instant // by incident and place: the last critical message heard
	waiting   map[string]instant.Instant // critical alarms that call and that no message heard since has named: since when
	heard     map[string]instant.Instant // by place: the last message that names a critical alarm there
	back      map[string]instant.Instant // by place: when one ended last
	confirmed map[string]bool            // occurrences that a person has acknowledged
}

func (w *incidentLaws) watch(e watch.Effect, deliveries []notify.Delivery) {
	if e.Entry == nil || e.Entry.Alarm == "" {
		return
	}
	entry := e.Entry
	place, _, _ := strings.Cut(entry.Alarm, "/")
	if e.Kind == watch.Record && entry.State != "" && entry.State != "B" {
		delete(w.waiting, entry.Alarm)
	}
	if e.Kind == watch.Record && entry.Kind == journal.AlarmCleared && strings.Contains(entry.Alarm, "critical") {
		w.back[place] = entry.At
	}
	if entry.Kind == journal.AlarmAcknowledged {
		w.confirmed[entry.Occurrence] = true
		if strings.Contains(entry.Alarm, "critical") && w.speaksUntil("loft", entry.At) >= entry.At {
			clear(w.waiting) // it counts for the enclosures as well
		}
	}
	if e.Kind == watch.Notify && strings.Contains(entry.Alarm, "critical") && entry.Kind != journal.AlarmRepeated {
		w.waiting[entry.Alarm] = entry.At
		delete(w.confirmed, entry.Occurrence)
		if entry.Alarm == roomCritical && w.spokenForUntil(place, entry.At) >= entry.At {
			w.heard[place] = entry.At // as good as heard
		}
	}
	for _, d := range deliveries {
		switch {
		case d.Silent:
			w.t.Fatalf("the keeper cannot be updated without a sound: %s", describe(d))
		case d.Reason == notify.Over && entry.Kind != journal.AlarmReminded:
			w.t.Fatalf("an end is not heard: %s", describe(d))
		case d.Reason == notify.Over:
			require.False(w.t, w.confirmed[entry.Occurrence], "%s, after its acknowledgement", describe(d))
			continue
		case d.Reason == notify.Advice || d.Reason == notify.Digest:
			continue
		}
		require.NotEmpty(w.t, entry.Incident, describe(d))
		require.Equal(w.t, isa.Unacknowledged, entry.State, describe(d))
		if entry.Priority == "critical" {
			for _, named := range append([]string{entry.Alarm}, entry.Also...) {
				a, _ := w.l.core.Alarm(named)
				require.True(w.t, a.Active, "%s names %s", describe(d), named)
				delete(w.waiting, named)
				at, _, _ := strings.Cut(named, "/")
				w.heard[at] = entry.At
			}
			if d.Reason == notify.Again && w.confirmed[entry.Occurrence] {
				w.t.Fatalf("%s, after its acknowledgement", describe(d))
			}
			w.worst[entry.Incident], w.last[entry.Incident+place] = "critical", entry.At
			continue
		}
		asked := entry.Kind == journal.AlarmUnshelved || entry.Kind == journal.AlarmEnabled
		if d.Reason == notify.Again || w.worst[entry.Incident] != "" && !asked {
			w.t.Fatalf("%s, though the incident %s was heard as %s", describe(d), entry.Incident, w.worst[entry.Incident])
		}
		if w.worst[entry.Incident] == "" {
			w.worst[entry.Incident] = entry.Priority
		}
	}
	// Every critical occurrence that waits for a person is named in a message that is heard: at once, or with the next one where there was
	// one on its place within twenty minutes, or on another within ten, unless its room or two other enclosures speak for it. No
	// acknowledgement of another alarm changes that.
	for name, since := range w.waiting {
		at, _, _ := strings.Cut(name, "/")
		since = max(since, w.spokenForUntil(at, entry.At)) // whether or not an entry has come meanwhile
		a, _ := w.l.core.Alarm(name)
		switch {
		case since >= entry.At:
			w.waiting[name] = entry.At
		case a.Letter == isa.Unacknowledged && entry.At.Sub(since) > 31*time.Minute:
			w.t.Fatalf("%s has called since %s and was in no message that was heard by %s", name, since, entry.At)
		}
	}
}

// speaksUntil returns until when a place speaks for others: for two hours after it was heard as critical and after the end of that, and now
// while it is critical.
func (w *incidentLaws) speaksUntil(place string, now instant.Instant) instant.Instant {
	heard, spoke := w.heard[place]
	if !spoke {
		return instant.None
	}
	until := heard.Add(2 * time.Hour)
	if back, ended := w.back[place]; ended {
		until = max(until, back.Add(2*time.Hour))
	}
	for _, name := range []string{roomCritical, tubCritical, tub2Critical, tub3Critical} {
		if a, _ := w.l.core.Alarm(name); strings.HasPrefix(name, place+"/") && a.Active {
			until = max(until, now)
		}
	}
	return until
}

// spokenForUntil returns until when its room, or two enclosures at once, speak for a place.
func (w *incidentLaws) spokenForUntil(place string, now instant.Instant) instant.Instant {
	var enclosures []instant.Instant
	for _, other := range []string{"tub-1", "tub-2", "tub-3"} {
		if other != place {
			enclosures = append(enclosures, w.speaksUntil(other, now))
		}
	}
	slices.Sort(enclosures)
	both := enclosures[len(enclosures)-2]
	if place == "loft" {
		return both
	}
	return max(both, w.speaksUntil("loft", now))
}

func TestLawsOfIncidents(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site := threeTubs()
		l := openSite(t, site, keeper)
		w := &incidentLaws{
			t: t, l: l, worst: map[string]string{}, last: map[string]instant.Instant{}, heard: map[string]instant.Instant{}, back: map[string]instant.Instant{},
			waiting: map[string]instant.Instant{}, confirmed: map[string]bool{},
		}
		l.watching = w.watch
		names := []string{tubHigh, tubCritical, tub2High, tub2Critical, tub3Critical, roomHigh, roomCritical}
		for range rapid.IntRange(1, 25).Draw(t, "steps") {
			name := rapid.SampledFrom(names).Draw(t, "alarm")
			switch rapid.SampledFrom([]string{"run", "run", "run", "run", "acknowledge", "shelve", "unshelve", "restart"}).Draw(t, "what") {
			case "run":
				l.run(rapid.IntRange(1, 300).Draw(t, "tens of seconds")*10,
					rapid.SampledFrom([]float64{22, 27, 29}).Draw(t, "air"), rapid.SampledFrom([]float64{22, 25, 28}).Draw(t, "tub-1"),
					rapid.SampledFrom([]float64{22, 25, 28}).Draw(t, "tub-2"), rapid.SampledFrom([]float64{22, 28}).Draw(t, "tub-3"))
			case "acknowledge":
				if a, ok := l.core.Alarm(name); ok && a.Occurrence != "" {
					l.command(watch.Command{Verb: watch.Acknowledge, Occurrence: a.Occurrence})
				}
			case "shelve":
				l.command(watch.Command{Verb: watch.Shelve, Alarm: name, For: 20 * time.Minute, Reason: "invented"})
			case "unshelve":
				l.command(watch.Command{Verb: watch.Unshelve, Alarm: name})
			case "restart":
				l.restartWith(site, keeper)
			}
		}
	})
}

// What is critical and that no one acknowledges is heard four times within the first 41 minutes, whoever speaks for whom meanwhile; a little
// later where an alarm is on its way back when it would be repeated.
func TestCriticalIsRepeatedWhoeverSpeaks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := openSite(t, threeTubs(), keeper)
		l.run(60, 22, 22, 22, 22)
		lasting := rapid.Bool().Draw(t, "what is hot stays hot")
		hot, shortest := 0, 30
		if !lasting {
			shortest = 60
		}
		for begun := l.now; l.now-begun < 2*3600; {
			also := rapid.IntRange(1, 15).Draw(t, "hot")
			if lasting || hot&also == 0 { // one at least stays hot, so that something is critical all the time
				also |= hot
			}
			hot = also
			values := []float64{27, 22, 22, 22}
			for i := range values {
				if hot>>i&1 == 1 {
					values[i] = []float64{29, 28, 28, 28}[i]
				}
			}
			l.run(rapid.IntRange(shortest, 360).Draw(t, "tens of seconds")*10, values...)
		}
		var heard []instant.Instant
		for _, d := range l.log {
			if !d.Silent && d.Entry.Priority == "critical" {
				heard = append(heard, d.Entry.At)
			}
		}
		require.GreaterOrEqual(t, len(heard), 4, "%v", heard)
		latest := 41 * time.Minute
		if !lasting {
			latest += 10 * time.Minute
		}
		require.LessOrEqual(t, heard[3].Sub(heard[0]), latest, "%v", heard)
	})
}

// A restart at any moment changes nothing of what is heard.
func TestARestartChangesNothingOfWhatIsHeard(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site := twoTubs()
		type stretch struct {
			length      int
			values      []float64
			acknowledge bool
		}
		var plan []stretch
		for range rapid.IntRange(1, 12).Draw(t, "stretches") {
			plan = append(plan, stretch{
				length: rapid.IntRange(1, 300).Draw(t, "tens of seconds") * 10, acknowledge: rapid.Bool().Draw(t, "acknowledged"),
				values: []float64{
					rapid.SampledFrom([]float64{22, 27, 29}).Draw(t, "air"), rapid.SampledFrom([]float64{22, 25, 28}).Draw(t, "tub-1"),
					rapid.SampledFrom([]float64{22, 25, 28}).Draw(t, "tub-2"),
				},
			})
		}
		restarts := rapid.IntRange(0, len(plan)).Draw(t, "restart before")
		play := func(restart bool) []string {
			l := openSite(t, site, keeper, thread, neighbour)
			for i, s := range plan {
				if restart && i == restarts {
					l.rules = notify.New([]notify.Rule{keeper, thread, neighbour})
					l.rules.Site(&site)
					l.rules.Resume(l.journal)
					l.rules.Sync(l.core.Alarms(), at(l.now))
				}
				l.run(s.length, s.values...)
				if a, ok := l.core.Alarm(tubCritical); ok && s.acknowledge && a.Occurrence != "" {
					l.command(watch.Command{Verb: watch.Acknowledge, Occurrence: a.Occurrence})
				}
			}
			return l.heard()
		}
		require.Equal(t, play(false), play(true))
	})
}
