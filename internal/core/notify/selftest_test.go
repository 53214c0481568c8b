package notify_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
)

// weekly asks for tests at so many seconds of the loft's time, on the day on which that begins.
func weekly(seconds map[string]int) (tests []notify.Weekly) {
	for notifier, s := range seconds {
		hour := at(s).Time()
		tests = append(tests, notify.Weekly{Notifier: notifier, At: instant.Weekly{
			Weekday: hour.Weekday(), Minutes: hour.Hour()*60 + hour.Minute(), Location: time.UTC,
		}})
	}
	slices.SortFunc(tests, func(a, b notify.Weekly) int { return len(a.Notifier) - len(b.Notifier) })
	return tests
}

// tests are the entries that a test has left, in words.
func (l *loft) tests() (when []int) {
	for _, e := range l.journal {
		if e.Kind == journal.NotifierTest {
			when = append(when, int(e.At.Sub(at(0)).Seconds()))
		}
	}
	return when
}

const week = 7 * 24 * 3600

func TestNotifiersAreTestedOnceAWeek(t *testing.T) {
	l := open(t, notify.Rule{Every: true, Notifier: "mail"}, notify.Rule{Every: true, Notifier: "webhook"})
	l.rules.Tests(weekly(map[string]int{"mqtt": 600, "mail": 600}))
	l.run(590, 22, 22, 22)
	assert.Empty(t, l.journal[1:])
	l.run(20, 22, 22, 22)
	assert.Equal(t, []string{"600 mail test  "}, l.take(), "mqtt has no rule, and the webhook no hour")
	require.Equal(t, []int{600}, l.tests())
	entry := l.journal[len(l.journal)-1]
	assert.ElementsMatch(t, []string{"mqtt", "mail"}, entry.Notifiers)
	assert.Equal(t, "notify", entry.By)
	assert.Equal(t, "weekly", entry.Reason)
	l.run(1000, 22, 22, 22)
	l.now = week + 590
	l.run(20)
	assert.Equal(t, []int{600, week + 600}, l.tests())
}

func TestWeeklyTestIsOnTimeOrLeftOut(t *testing.T) {
	for name, c := range map[string]struct {
		disturb func(l *loft)
		want    []int
	}{
		"a restart after it":         {func(l *loft) { l.run(620); l.restart() }, []int{600}},
		"a restart in time":          {func(l *loft) { l.now = 900; l.restart() }, []int{910}},
		"a restart too late":         {func(l *loft) { l.now = 1300; l.restart() }, nil},
		"the clock set back over it": {func(l *loft) { l.run(620); l.setClock(-300) }, []int{600}},
		"the clock set over it":      {func(l *loft) { l.run(100); l.setClock(2000) }, nil},
		"a clock that was far ahead": {func(l *loft) {
			l.setClock(10 * week)
			l.run(620)
			l.setClock(-10*week - 600)
		}, []int{10*week + 600, 600}},
		"one by hand before it": {func(l *loft) {
			l.run(100)
			l.journal = append(l.journal, &journal.Entry{Kind: journal.NotifierTest, At: at(100), Notifiers: []string{"mail"}})
			l.restart()
		}, []int{100, 600}},
	} {
		t.Run(name, func(t *testing.T) {
			l := open(t, notify.Rule{Every: true, Notifier: "mail"})
			l.rules.Tests(weekly(map[string]int{"mail": 600}))
			c.disturb(l)
			l.rules.Tests(weekly(map[string]int{"mail": 600}))
			l.run(3000)
			assert.Equal(t, c.want, l.tests())
		})
	}
}

// Over restarts, each week has one test, at the first call of Due at or after its hour, unless there was none for ten minutes.
func TestLawsOfTheWeeklyTest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const weeks, around, look = 4, 1800, 60
		hour := around + 60*rapid.IntRange(0, (week-2*around)/60-1).Draw(t, "hour")
		l := open(t, notify.Rule{Every: true, Notifier: "mail"})
		start := func() {
			l.restart(notify.Rule{Every: true, Notifier: "mail"})
			l.rules.Tests(weekly(map[string]int{"mail": hour}))
		}
		start()
		var want []int
		for k := range weeks {
			begin := hour + k*week - around
			offAt := begin + look*rapid.IntRange(0, 2*around/look).Draw(t, "off at")
			onAt := offAt + look*rapid.IntRange(0, 30).Draw(t, "off for")
			tested := false
			for l.now = begin; l.now < begin+2*around; l.now += look {
				if l.now == onAt {
					start()
				}
				if l.now >= offAt && l.now < onAt {
					continue
				}
				for _, c := range l.rules.Due(at(l.now)) {
					l.command(c)
				}
				if late := l.now - begin - around; !tested && late >= 0 && late <= 600 {
					tested = true
					want = append(want, l.now)
				}
			}
		}
		require.Equal(t, want, l.tests())
	})
}
