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
	playerGrouped
	playerCount
)

// PlayerNames are the names of the players.
var PlayerNames = [playerCount]string{"dewline", "bare-threshold", "hold-time", "grouped-hold-time"}

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
	Delays        map[bool][]Delay // of clear stays that were found, by whether the limit is critical
	Phone         Channel          // what makes a sound
	Notices       Channel          // what makes none
	Heartbeats    int              // messages of the watch outside of the house, which make a sound
	Silences      Stays            // of the board or its uplink, longer than half an hour
	Suppressed    Suppressed
	Causes        map[string]int // of false alarms of limits, in words
	Sounds        map[string]int // of dewline and of the grouped hold time: why the phone sounded, heartbeats aside
	BlindNotified int            // stays that no living sensor saw, but the sensor's fault had been reported
	DarkNotified  int            // stays without power at the board, while the keeper knew that it is silent
	Forecasts     [verdictCount]int
	Timed, InTime int             // true forecasts that gave an interval for the crossing, and those whose crossing lay in it
	Spans         []int           // lengths of those intervals, in minutes
	Foreseen      map[bool]*Stays // clear stays, by whether the limit is critical
	Foreseeable   map[bool]*Stays // those of them of whose quantity a forecast is asked and that did not begin suddenly
	Unasked       map[bool]int    // those of whose quantity none is asked
	Leads         map[bool][]int  // minutes from the forecast of such a stay to the end of its allowed time
	FaultWeek     int             // audible messages on one sensor in one week, in the worst one
}

// Delay is how long after the crossing the keeper knew of a stay, and what was allowed, in minutes.
type Delay struct{ Minutes, Allowed int }

func newTally() *Tally {
	return &Tally{Stays: map[Group]*[kindCount]Stays{}, Delays: map[bool][]Delay{}, Causes: map[string]int{}, Sounds: map[string]int{}, Foreseen: map[bool]*Stays{true: {}, false: {}}, Foreseeable: map[bool]*Stays{true: {}, false: {}}, Unasked: map[bool]int{}, Leads: map[bool][]int{}}
}

// Audible is the number of messages that make a sound.
func (t *Tally) Audible() int { return t.Phone.All() + t.Heartbeats }

// add takes another tally in.
func (t *Tally) add(o *Tally) {
	for g, kinds := range o.Stays {
		mine := t.stays(g)
		for k := range kinds {
			mine[k].Found += kinds[k].Found
			mine[k].Missed += kinds[k].Missed
		}
	}
	for critical, delays := range o.Delays {
		t.Delays[critical] = append(t.Delays[critical], delays...)
	}
	t.Heartbeats += o.Heartbeats
	t.Silences.Found += o.Silences.Found
	t.Silences.Missed += o.Silences.Missed
	t.DarkNotified += o.DarkNotified
	for i := range t.Forecasts {
		t.Forecasts[i] += o.Forecasts[i]
	}
	t.Timed += o.Timed
	t.InTime += o.InTime
	t.Spans = append(t.Spans, o.Spans...)
	for critical, n := range o.Foreseen {
		t.Foreseen[critical].Found += n.Found
		t.Foreseen[critical].Missed += n.Missed
		t.Foreseeable[critical].Found += o.Foreseeable[critical].Found
		t.Foreseeable[critical].Missed += o.Foreseeable[critical].Missed
		t.Unasked[critical] += o.Unasked[critical]
		t.Leads[critical] = append(t.Leads[critical], o.Leads[critical]...)
	}
	t.FaultWeek = max(t.FaultWeek, o.FaultWeek)
	t.Phone.add(&o.Phone)
	t.Notices.add(&o.Notices)
	t.Suppressed.Rightly += o.Suppressed.Rightly
	t.Suppressed.Wrongly += o.Suppressed.Wrongly
	t.BlindNotified += o.BlindNotified
	for cause, n := range o.Causes {
		t.Causes[cause] += n
	}
	for cause, n := range o.Sounds {
		t.Sounds[cause] += n
	}
}

func (t *Tally) stays(g Group) *[kindCount]Stays {
	if t.Stays[g] == nil {
		t.Stays[g] = &[kindCount]Stays{}
	}
	return t.Stays[g]
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

// Why the phone sounds, for players that make more than calls.
const (
	soundRepetition = "repetition"
	soundOften      = "comes too often"
	soundSensor     = "sensor"
)

// soundOf names a message on a limit.
func soundOf(critical bool) string {
	if critical {
		return "critical"
	}
	return "beyond the band"
}

// scorer compares what players report with the truth.
type scorer struct {
	setting *setting
	truth   *truth
	probes  []*probe
	path    *path
	beat    heartbeat
	keepers [playerCount]*keeper
	tallies [playerCount]*Tally
	misses  []Miss
	late    []Miss // critical stays that dewline found, later than the goal asks

	faultWeeks map[[2]int]int // by sensor and week: audible messages of dewline
}

// Miss is a clear stay that dewline did not report in time.
type Miss struct {
	Year  int       `json:"year"` // of the run
	Point string    `json:"point"`
	Limit string    `json:"limit"`
	From  time.Time `json:"from"`
	To    time.Time `json:"to"`
	Group Group     `json:"-"`
	at    limitOf
	// Shown is whether any reading was beyond the limit. What no reading shows, no program can know.
	Shown bool `json:"in_a_reading"`
}

func newScorer(s *setting, t *truth, probes []*probe, way *path) *scorer {
	made := &scorer{setting: s, truth: t, probes: probes, path: way, beat: heartbeat{path: way, heard: nowhere}, faultWeeks: map[[2]int]int{}}
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

// call counts an audible first message of a player on a limit, and why it came, and returns the step at which it arrives; occurrence is
// what the keeper will acknowledge.
func (c *scorer) call(player int, at limitOf, why, occurrence string) (arrives int) {
	verdict := c.judge(at)
	c.tallies[player].Phone.Verdicts[verdict]++
	if verdict == False {
		sensor := "the sensor was wrong"
		if c.truth.step-c.truth.lived[at.point] < living {
			sensor = "the sensor was right"
		}
		c.tallies[player].Causes[fmt.Sprintf("%s %s, %s, %s", strings.ReplaceAll(c.setting.points[at.point].name.Quantity.String(), "-", " "), at.limit, why, sensor)]++
	}
	arrives = c.path.arrives(c.truth.step, player == playerDewline || player == playerGrouped)
	c.hear(player, arrives, occurrence, c.setting.points[at.point].name.Place)
	return arrives
}

// hear lets the keeper hear of something at a place, once it arrives.
func (c *scorer) hear(player, arrives int, occurrence, place string) {
	if arrives != nowhere {
		c.keepers[player].hear(c.truth.start.Add(time.Duration(arrives)*stepTime), occurrence, place)
	}
}

// faultMessage notes an audible message on a sensor.
func (c *scorer) faultMessage(sensor int) {
	at := [2]int{sensor, c.truth.step / week}
	c.faultWeeks[at]++
	c.tallies[playerDewline].FaultWeek = max(c.tallies[playerDewline].FaultWeek, c.faultWeeks[at])
}

// followHeartbeat lets a minute pass for the watch outside, which dewline and the grouped hold time have.
func (c *scorer) followHeartbeat() {
	calls := c.beat.follow(c.truth.step, c.truth.powered)
	for _, player := range []int{playerDewline, playerGrouped} {
		t := c.tallies[player]
		if calls {
			t.Heartbeats++
			c.hear(player, c.beat.heard, "", "mains")
		}
		t.Silences = Stays{Found: c.beat.Found, Missed: c.beat.Silences - c.beat.Found}
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
		s.silence = s.silence || c.beat.silent && c.beat.heard <= c.truth.step
		over := s.to >= 0 && c.truth.step-s.to >= int(resolved/stepTime)
		if !over && !last {
			return false
		}
		c.close(s)
		return true
	})
}

// closeForecast counts whether a stay was foreseen.
func (c *scorer) closeForecast(s *stay) {
	tally, critical := c.tallies[playerDewline], s.group.Critical
	counts := []*Stays{tally.Foreseen[critical]}
	if !forecastAsked(c.setting.points[s.point].name.Quantity) {
		tally.Unasked[critical]++
	} else if !s.sudden {
		counts = append(counts, tally.Foreseeable[critical])
	}
	for _, n := range counts {
		if s.foreseen.found {
			n.Found++
		} else {
			n.Missed++
		}
	}
	if s.foreseen.found {
		tally.Leads[critical] = append(tally.Leads[critical], s.from+int(s.allowed/stepTime)-s.foreseen.at)
	}
}

// reachable reports whether a message on a stay could have reached the keeper between the allowed time and the time at which it was too
// late.
func (c *scorer) reachable(s *stay) bool {
	due := s.clearly + int(s.allowed/stepTime)
	for step := due; s.inTime(step) && step <= c.truth.step; step++ {
		if c.path.open(step) {
			return true
		}
	}
	return false
}

func (c *scorer) close(s *stay) {
	if !s.long || !c.setting.scored(s.point) {
		return
	}
	s.unheard = s.kept[2] && !c.reachable(s)
	kind := s.kind()
	for player := range playerCount {
		t, tally := &s.notified[player], c.tallies[player]
		count := &tally.stays(s.group)[kind]
		if !t.found || !s.inTime(t.at) {
			count.Missed++
			continue
		}
		count.Found++
		if kind == Clear {
			tally.Delays[s.group.Critical] = append(tally.Delays[s.group.Critical], Delay{s.delay(t.at), int(s.allowed / stepTime)})
		}
	}
	if kind == Clear || kind == Unheard {
		c.closeForecast(s)
	}
	if kind == Blind && s.fault {
		c.tallies[playerDewline].BlindNotified++
	}
	if kind == Powerless && s.silence {
		c.tallies[playerDewline].DarkNotified++
	}
	if d := s.notified[playerDewline]; kind == Clear {
		list := &c.misses
		if d.found && s.inTime(d.at) {
			if !s.group.Critical || time.Duration(s.delay(d.at))*stepTime <= s.allowed+maxCriticalP95*time.Minute {
				return
			}
			list = &c.late
		}
		*list = append(*list, Miss{
			Point: c.setting.points[s.point].name.String(), Limit: s.limit.String(), Group: s.group, at: s.limitOf,
			Shown: s.notified[playerBare].found, // it reports every reading that is beyond
			From:  c.truth.start.Add(time.Duration(s.from) * stepTime), To: c.truth.start.Add(time.Duration(max(s.to, s.from)) * stepTime),
		})
	}
}

// heat reports whether a limit is one that a room's alarm speaks for.
func heat(l care.Limit) bool { return l.Above() }
