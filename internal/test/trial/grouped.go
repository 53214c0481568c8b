package trial

import (
	"maps"
	"slices"
	"strconv"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

// grouped is what a careful person makes of a threshold with a hold time: the way back has a deadband and a delay, a point that gives no
// value is reported, what belongs together wakes the keeper once, by the same rules as in package notify, and what is critical is
// repeated until he acknowledges. Its messages wait for the uplink. It knows no quality of a reading and no second sensor, and
// forgets everything at a power cut, but for which alarms come too often.
type grouped struct {
	scorer    *scorer
	setting   *setting
	limits    []groupedLimit
	silent    []groupedSilence // of each point
	incidents []*incident
	opened    int
}

// groupedLimit is the state of one limit of one point.
type groupedLimit struct {
	out, back int // since when it is beyond, and back inside by the deadband; inside where it is not
	active    bool
	update    int // step at which its message arrived, audible or not
	in        *incident
	raised    []int // the last steps at which it began an incident
	silent    bool  // it comes too often
	advices   int   // without a longer time between them than adviceIsOld
	advised   int   // step of the last of them
}

// groupedSilence is the state of the values of a point.
type groupedSilence struct {
	last     int // step of the last value
	active   bool
	reported int // step of the last audible message
}

// incident is everything that one cause explains.
type incident struct {
	id            string
	side          string
	active        map[int]bool // limits
	places        map[string]bool
	critical      map[string]int // by place whose critical limit was audible: the step at which it was so last
	back          map[string]int // by place: the step at which a critical limit there was left last
	touched       int            // step of its last alarm
	heard         int            // step at which the first audible message arrived
	heardCritical int            // the same of a critical one
	audible       bool           // it has woken the keeper
	acknowledged  bool
	answers       bool // he will acknowledge it, since a message on it arrives
	again         int  // step at which the next repetition is due; 0 for none
	wait          int  // steps to the one after that
}

// The rules of grouping, which are those of package notify.
const (
	together      = 30     // minutes within which band alarms of one side belong together
	spoken        = 2 * 60 // minutes for which a place that was critical speaks for others
	sameNight     = 6 * 60 // minutes after the messages on two enclosures within which a further place has the same cause
	spokenAgain   = 20     // minutes for which a message on what is critical at a place speaks for it, should that come back
	week          = 7 * 24 * 60
	tooOften      = 3 // times in seven days that make an alarm silent, until it has stayed away for a week
	advisedOften  = 2 // the same until the advice on it is old
	adviceIsOld   = 5 * week
	firstAgain    = 10
	lastAgain     = 160
	silenceAlarm  = 30 // minutes without a value
	firstAlarmAgo = -1 << 30
)

func newGrouped(c *scorer) *grouped {
	g := &grouped{scorer: c, setting: c.setting, limits: make([]groupedLimit, len(c.setting.points)*care.LimitCount), silent: make([]groupedSilence, len(c.setting.points))}
	for i := range g.silent {
		g.silent[i].reported = firstAlarmAgo
	}
	g.boot()
	return g
}

// boot forgets what is only in memory.
func (g *grouped) boot() {
	g.incidents = nil
	for i := range g.limits {
		l := &g.limits[i]
		l.out, l.back, l.active, l.update, l.in = inside, inside, false, nowhere, nil
	}
	for i := range g.silent {
		g.silent[i].last, g.silent[i].active = g.scorer.truth.step, false
	}
}

// back returns how far inside a value must be, and for how long, before an alarm ends: common practice, no published source.
func back(q quantity.Quantity) (deadband float64, steps int) {
	switch q {
	case quantity.WaterTemperature:
		return 0.3, 10
	case quantity.RelativeHumidity:
		return 3, 15
	}
	return 0.5, 10
}

// take compares the value of a point.
func (g *grouped) take(point int, value float64) {
	t := g.scorer.truth
	g.silent[point].last, g.silent[point].active = t.step, false
	deadband, off := back(g.setting.points[point].name.Quantity)
	for limit := care.CriticalLow; limit <= care.CriticalHigh; limit++ {
		i := point*care.LimitCount + int(limit)
		l := &g.limits[i]
		far := over(value, t.bands[point].limits[limit], limit)
		switch {
		case !(far > 0): // also where there is no such limit
			l.out = inside
		case l.out == inside:
			l.out = t.step
		}
		if !l.active {
			if l.out != inside && time.Duration(t.step-l.out)*stepTime >= t.allowed(point, limit, l.out) {
				l.active, l.back = true, inside
				g.raise(i, limitOf{point, limit})
			}
			continue
		}
		switch {
		case far > -deadband:
			l.back = inside
		case l.back == inside:
			l.back = t.step
		}
		if far != far || l.back != inside && t.step-l.back >= off {
			l.active = false
			delete(l.in.active, i)
			if limit.Critical() {
				l.in.back[g.setting.points[point].name.Place] = t.step
			}
			g.scorer.tallies[playerGrouped].Notices.Over++
		}
	}
}

// side names what an alarm is about.
func side(q quantity.Quantity, limit care.Limit) string {
	switch {
	case q == quantity.RelativeHumidity && limit.Above():
		return "wet"
	case q == quantity.RelativeHumidity:
		return "dry"
	case limit.Above():
		return "hot"
	}
	return "cold"
}

// raise finds the incident of an alarm and decides whether the keeper hears of it.
func (g *grouped) raise(i int, at limitOf) {
	step := g.scorer.truth.step
	l, point := &g.limits[i], g.setting.points[at.point].name
	critical := at.limit.Critical()
	n, joined := g.incidentOf(at)
	if !joined && !critical {
		l.count(step)
	}
	if n == nil {
		g.opened++
		n = &incident{
			id: strconv.Itoa(g.opened), side: side(point.Quantity, at.limit), active: map[int]bool{}, places: map[string]bool{}, critical: map[string]int{}, back: map[string]int{},
			heard: nowhere, heardCritical: nowhere,
		}
		g.incidents = append(g.incidents, n)
	}
	audible := !joined || !n.audible
	if critical {
		last, spoke := n.critical[point.Place]
		others := g.spokenFor(n, point.Place)
		if audible = !(spoke && step-last < spokenAgain) && !others; others && own[point.Place] == "room" {
			n.critical[point.Place] = step // as good as heard
		}
	}
	n.active[i], n.places[point.Place], n.touched, l.in = true, true, step, n
	tally := g.scorer.tallies[playerGrouped]
	switch {
	case l.silent && (l.advices == 0 || step-l.advised >= week<<min(l.advices-1, 2)):
		if step-l.advised >= adviceIsOld {
			l.advices = 0
		}
		l.advised = step
		l.advices++
		tally.Phone.Advice++
		tally.Sounds[soundOften]++
		l.update = nowhere
	case l.silent:
		tally.Notices.Verdicts[g.scorer.judge(at)]++
		l.update = nowhere
	case !audible:
		tally.Notices.Verdicts[g.scorer.judge(at)]++
		l.update = g.scorer.path.arrives(step, true)
	default:
		l.update = g.scorer.call(playerGrouped, at, "raised", n.id)
		tally.Sounds[soundOf(critical)]++
		n.hear(l.update, critical)
		n.answers = n.answers || l.update != nowhere
		if critical {
			g.name(n, l.update)
			n.critical[point.Place] = step
			if n.again == 0 || n.acknowledged {
				n.again, n.wait = step+firstAgain, firstAgain
			} else {
				n.repeated()
			}
		}
		n.audible, n.acknowledged = true, false
	}
}

// spokenFor reports whether others speak for what becomes critical at a place now: its room, while it is critical and two hours longer, or two
// enclosures, while they are critical, for what comes within six hours after the messages on them.
func (g *grouped) spokenFor(n *incident, place string) bool {
	step, enclosures := g.scorer.truth.step, 0
	for other, heard := range n.critical {
		back, returned := n.back[other]
		active := slices.ContainsFunc(slices.Collect(maps.Keys(n.active)), func(i int) bool {
			return care.Limit(i%care.LimitCount).Critical() && g.setting.points[i/care.LimitCount].name.Place == other
		})
		switch {
		case other == place:
		case own[other] == "room":
			if active || step-heard < spoken || returned && step-back < spoken {
				return true
			}
		case step-heard < sameNight && (active || step-heard < spoken && !(returned && back >= heard)):
			enclosures++
		}
	}
	return enclosures >= 2
}

// count notes that the alarm has begun an incident.
func (l *groupedLimit) count(step int) {
	n, times := len(l.raised), tooOften
	if l.advices > 0 && step-l.advised < adviceIsOld {
		times = advisedOften
	}
	often := n >= times-1 && step-l.raised[n-times+1] < week
	l.silent = often || l.silent && step-l.raised[n-1] < week
	l.raised = append(l.raised, step)
}

// name notes the arrival of a message on what is critical of an incident: it names all that is.
func (g *grouped) name(n *incident, at int) {
	for i := range n.active {
		if care.Limit(i % care.LimitCount).Critical() {
			g.limits[i].update = min(g.limits[i].update, at)
		}
	}
}

// hear notes an arrival.
func (n *incident) hear(at int, critical bool) {
	n.heard = min(n.heard, at)
	if critical {
		n.heardCritical = min(n.heardCritical, at)
	}
}

// incidentOf returns the incident to which an alarm belongs, if there is one.
func (g *grouped) incidentOf(at limitOf) (*incident, bool) {
	step, point := g.scorer.truth.step, g.setting.points[at.point].name
	g.incidents = slices.DeleteFunc(g.incidents, func(n *incident) bool { return len(n.active) == 0 && step-n.touched > together })
	for _, n := range g.incidents {
		if n.side != side(point.Quantity, at.limit) {
			continue
		}
		followsRoom := slices.ContainsFunc(slices.Collect(maps.Keys(n.places)), func(p string) bool { return own[p] == "room" })
		if n.places[point.Place] || followsRoom || own[point.Place] == "room" || step-n.touched <= together {
			return n, true
		}
	}
	return nil, false
}

// tick lets a minute pass: points without values, and repetitions.
func (g *grouped) tick() {
	step, tally := g.scorer.truth.step, g.scorer.tallies[playerGrouped]
	for i := range g.silent {
		s := &g.silent[i]
		if s.active || !g.setting.scored(i) || step-s.last < silenceAlarm {
			continue
		}
		s.active = true
		verdict := FaultTrue
		if step-g.scorer.truth.lived[i] < living {
			verdict = FaultFalse
		}
		channel := &tally.Notices
		switch {
		case g.placeSilent(i):
			s.reported = step
		case step-s.reported > week:
			channel, s.reported = &tally.Phone, step
			tally.Sounds[soundSensor]++
			g.scorer.hear(playerGrouped, g.scorer.path.arrives(step, true), "", g.setting.points[i].name.Place)
		}
		channel.Verdicts[verdict]++
	}
	for _, n := range g.incidents {
		critical, place := false, ""
		for i := range n.active {
			if care.Limit(i % care.LimitCount).Critical() {
				critical, place = true, max(place, g.setting.points[i/care.LimitCount].name.Place)
			}
		}
		if n.again == 0 || step < n.again || n.acknowledged || !critical {
			continue
		}
		tally.Phone.Again++
		tally.Sounds[soundRepetition]++
		arrives := g.scorer.path.arrives(step, true)
		n.hear(arrives, true)
		if !n.answers && arrives != nowhere {
			g.scorer.hear(playerGrouped, arrives, n.id, place)
			n.answers = true
		}
		g.name(n, arrives)
		n.repeated()
	}
}

// placeSilent reports whether a message on another silent point of the same place has been sent within half an hour: a part that measures
// two quantities fails once.
func (g *grouped) placeSilent(point int) bool {
	for i := range g.silent {
		if i != point && g.setting.points[i].name.Place == g.setting.points[point].name.Place && g.scorer.truth.step-g.silent[i].reported <= together {
			return true
		}
	}
	return false
}

// repeated sets the time of the next repetition after one, or after a message on a further place in its stead.
func (n *incident) repeated() {
	if n.wait *= 2; n.wait > lastAgain {
		n.again = 0
	} else {
		n.again += n.wait / 2
	}
}

// acknowledge ends the repetition of an incident.
func (g *grouped) acknowledge(id string) {
	for _, n := range g.incidents {
		n.acknowledged = n.acknowledged || n.id == id
	}
}

// knows reports whether the keeper knows of a limit: it is active, its message has arrived, and one of the same incident that is as
// grave has woken him.
func (g *grouped) knows(at limitOf) bool {
	l := &g.limits[at.point*care.LimitCount+int(at.limit)]
	if !l.active {
		return false
	}
	woken := l.in.heard
	if at.limit.Critical() {
		woken = l.in.heardCritical
	}
	return max(l.update, woken) <= g.scorer.truth.step
}
