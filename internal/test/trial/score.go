package trial

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
)

// The players.
const (
	playerDewline = iota
	playerBare
	playerHold
	playerCount
)

// PlayerNames are the names of the players.
var PlayerNames = [playerCount]string{"dewline", "bare threshold", "threshold with hold time"}

// Verdict is what a notification was worth.
type Verdict uint8

// The verdicts.
const (
	True      Verdict = iota // the truth was beyond the limit
	TooClose                 // inside, by no more than the stated accuracy
	False                    // inside by more
	FaultTrue                // of a sensor's fault, and there was one
	FaultFalse
	verdictCount
)

// Stays counts the true stays of a kind that a player found and missed.
type Stays struct{ Found, Missed int }

// Suppressed counts alarms that were held back by design.
type Suppressed struct{ Rightly, Wrongly int }

// Channel counts what goes out on one way.
type Channel struct {
	Verdicts [verdictCount]int // of first calls
	Again    int               // repetitions until an acknowledgement
	Over     int               // that it has ended
	Digests  int               // summaries of a flood, each instead of several messages
	Advice   int               // that an alarm chatters
}

// Calls is the number of first calls.
func (c *Channel) Calls() (n int) {
	for _, v := range c.Verdicts {
		n += v
	}
	return n
}

// All is the number of messages.
func (c *Channel) All() int { return c.Calls() + c.Again + c.Over + c.Digests + c.Advice }

// False is the number of false alarms.
func (c *Channel) False() int { return c.Verdicts[False] + c.Verdicts[FaultFalse] }

func (c *Channel) add(o *Channel) {
	for i := range c.Verdicts {
		c.Verdicts[i] += o.Verdicts[i]
	}
	c.Again += o.Again
	c.Over += o.Over
	c.Digests += o.Digests
	c.Advice += o.Advice
}

// Tally is what a player has done.
type Tally struct {
	Stays         map[Group]*[kindCount]Stays
	Delays        map[Group]map[int]int // minutes from the truth's crossing to the notification (0 where that stood already) → clear stays
	Phone         Channel
	Notices       Channel // of medium and low priority, which make no sound; only dewline has them
	Suppressed    Suppressed
	Causes        map[string]int // of false alarms of limits, in words
	BlindNotified int            // stays that no living sensor saw, but the sensor's fault had been reported
}

func newTally() *Tally {
	return &Tally{Stays: map[Group]*[kindCount]Stays{}, Delays: map[Group]map[int]int{}, Causes: map[string]int{}}
}

// add takes another tally in.
func (t *Tally) add(o *Tally) {
	for g, kinds := range o.Stays {
		mine := t.stays(g)
		for k := range kinds {
			mine[k].Found += kinds[k].Found
			mine[k].Missed += kinds[k].Missed
		}
	}
	for g, delays := range o.Delays {
		for minutes, n := range delays {
			t.delay(g, minutes, n)
		}
	}
	t.Phone.add(&o.Phone)
	t.Notices.add(&o.Notices)
	t.Suppressed.Rightly += o.Suppressed.Rightly
	t.Suppressed.Wrongly += o.Suppressed.Wrongly
	t.BlindNotified += o.BlindNotified
	for cause, n := range o.Causes {
		t.Causes[cause] += n
	}
}

func (t *Tally) stays(g Group) *[kindCount]Stays {
	if t.Stays[g] == nil {
		t.Stays[g] = &[kindCount]Stays{}
	}
	return t.Stays[g]
}

func (t *Tally) delay(g Group, minutes, n int) {
	if t.Delays[g] == nil {
		t.Delays[g] = map[int]int{}
	}
	t.Delays[g][minutes] += n
}

// Sum adds up the stays of a kind over groups.
func (t *Tally) Sum(kind Kind, critical bool) (s Stays) {
	for g, kinds := range t.Stays {
		if g.Critical == critical {
			s.Found += kinds[kind].Found
			s.Missed += kinds[kind].Missed
		}
	}
	return s
}

// scorer compares what players report with the truth.
type scorer struct {
	setting *setting
	truth   *truth
	probes  []*probe
	tallies [playerCount]*Tally
	misses  []Miss
}

// Miss is a clear stay that dewline did not report.
type Miss struct {
	Year  int       `json:"year"` // of the run
	Point string    `json:"point"`
	Limit string    `json:"limit"`
	From  time.Time `json:"from"`
	To    time.Time `json:"to"`
	Group Group     `json:"-"`
	// Shown is whether any reading was beyond the limit. What no reading shows, no program can know.
	Shown bool `json:"in_a_reading"`
}

func newScorer(s *setting, t *truth, probes []*probe) *scorer {
	made := &scorer{setting: s, truth: t, probes: probes}
	for i := range made.tallies {
		made.tallies[i] = newTally()
	}
	return made
}

// judge says what a first call on a limit is worth at this step.
func (c *scorer) judge(at limitOf) Verdict {
	far, present := c.truth.beyond(at.point, at.limit)
	switch {
	case present && far > 0:
		return True
	case present && far >= -c.setting.accuracyOf(at.point, c.truth.values):
		return TooClose
	}
	return False
}

// faulty reports whether a sensor has a fault, or had one in the last minutes, or is wrong by more than its accuracy, or one
// that feeds the same point does: which of two is wrong dewline cannot know, and says so.
func (c *scorer) faulty(sensor int) bool {
	const lately = 10
	for _, point := range c.setting.parts[sensor].feeds {
		for _, mate := range c.setting.points[point].sensors {
			if c.truth.step-c.probes[mate].wrongAt <= lately {
				return true
			}
		}
	}
	return false
}

// call counts a first call on a limit that goes out on a channel, and why it came.
func (c *scorer) call(player int, channel *Channel, at limitOf, why string) {
	verdict := c.judge(at)
	channel.Verdicts[verdict]++
	if verdict == False {
		sensor := "the sensor was wrong"
		if c.truth.step-c.truth.lived[at.point] < living {
			sensor = "the sensor was right"
		}
		c.tallies[player].Causes[fmt.Sprintf("%s %s, %s, %s", strings.ReplaceAll(c.setting.points[at.point].name.Quantity.String(), "-", " "), at.limit, why, sensor)]++
	}
}

// settle asks the players of each stay that goes on, or ended up to two steps ago, whether they have reported it, and closes those
// that are over. Stays that did not last longer than the allowed time count for nothing.
func (c *scorer) settle(notified func(player int, s *stay) bool, faultNotified func(point int) bool, last bool) {
	c.truth.active = slices.DeleteFunc(c.truth.active, func(s *stay) bool {
		for player := range playerCount {
			if t := &s.notified[player]; !t.found && notified(player, s) {
				*t = notice{true, c.truth.step}
			}
		}
		s.fault = s.fault || faultNotified(s.point)
		over := s.to >= 0 && c.truth.step-s.to >= int(resolved/stepTime)
		if !over && !last {
			return false
		}
		c.close(s)
		return true
	})
}

func (c *scorer) close(s *stay) {
	if !s.long || !c.setting.scored(s.point) {
		return
	}
	kind := s.kind()
	for player := range playerCount {
		t, tally := &s.notified[player], c.tallies[player]
		count := &tally.stays(s.group)[kind]
		if !t.found {
			count.Missed++
			continue
		}
		count.Found++
		if kind != Clear {
			continue
		}
		tally.delay(s.group, t.at-s.from, 1)
	}
	if kind == Blind && s.fault {
		c.tallies[playerDewline].BlindNotified++
	}
	if kind == Clear && !s.notified[playerDewline].found {
		c.misses = append(c.misses, Miss{
			Point: c.setting.points[s.point].name.String(), Limit: s.limit.String(), Group: s.group,
			Shown: s.notified[playerBare].found, // it reports every reading that is beyond
			From:  c.truth.start.Add(time.Duration(s.from) * stepTime), To: c.truth.start.Add(time.Duration(max(s.to, s.from)) * stepTime),
		})
	}
}

// heat reports whether a limit is one that a room's alarm speaks for.
func heat(l care.Limit) bool { return l.Above() }
