package config

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

// Overview is what a keeper should know before relying on the monitor: what is watched and within which limits, what is not
// watched, and which notifiers send which alarms.
type Overview struct {
	Site      string
	Times     string // how to read them, such as "times in Europe/Lisbon, limits of the day"
	Watched   []string
	Unwatched Problems // warnings, each of which is a sentence for the keeper
	Notified  []string // lines such as "critical alarms go to mail to keeper@example.org"
}

// PointInForce is a point, the band that holds there, and who lives there.
type PointInForce struct {
	Point     quantity.Point
	Band      care.Band
	Owners    [care.LimitCount]string // whose the limits are; "" where there is no limit
	Residents map[string]care.Stage   // the stages of the cohorts that live there
}

// Overview sums up a site that was checked, with its points as they are at a time. lives is the place of each cohort that the record
// of the animals knows at that time, "" for one that lives nowhere; of the others the configuration says it.
func (s *Site) Overview(at time.Time, states []PointInForce, lives map[string]string) Overview {
	location := cmp.Or(s.Location, time.UTC)
	o := &overviewer{reporter: reporter{origins: s.positions}, Site: s, at: at.In(location), states: map[string][]PointInForce{}, lives: maps.Clone(lives)}
	if o.lives == nil {
		o.lives = map[string]string{}
	}
	for i := range s.Cohorts {
		c := &s.Cohorts[i]
		if _, known := lives[c.ID]; !known {
			o.lives[c.ID] = c.Place
		}
	}
	for _, p := range states {
		o.states[p.Point.Place] = append(o.states[p.Point.Place], p)
	}
	found := Overview{Site: s.ID, Times: "times in " + location.String()}
	if !s.Light.AlwaysDay {
		found.Times += map[bool]string{true: ", limits of the day", false: ", limits of the night"}[s.Light.IsDay(at)]
	}
	for i := range s.Places {
		if line := o.enclosure(i); line != "" {
			found.Watched = append(found.Watched, line)
		}
	}
	if g := o.idle; g.names != nil {
		o.warnf(g.path, "not watched: %s: no sensor is there", sayList(g.names))
	}
	if g := o.limitless; g.names != nil {
		o.warnf(g.path, "no alarm can come from %s: sensors are there, but no cohort lives there, and no band is given", sayList(g.names))
	}
	for i := range s.Cohorts {
		o.cohort(i)
	}
	found.Notified = o.notifierLines()
	found.Unwatched = o.problems.Sorted(o.origins.at("").file)
	return found
}

// Lines returns the overview as lines: what is watched and sent, and what the keeper should look at.
func (o *Overview) Lines() (good, bad []string) {
	if len(o.Watched) == 0 {
		bad = append(bad, o.Site+" watches nothing")
	} else {
		good = append(good, fmt.Sprintf("watching %s (%s):", o.Site, o.Times))
	}
	for _, line := range o.Watched {
		good = append(good, "  "+line)
	}
	good = append(good, o.Notified...)
	for _, p := range o.Unwatched {
		bad = append(bad, p.Message)
	}
	return good, bad
}

// SensorWarning returns a warning about a sensor, with its position.
func (s *Site) SensorWarning(id, format string, args ...any) Problem {
	r := reporter{origins: s.positions}
	r.warnf(index("sensors", slices.IndexFunc(s.Sensors, func(c SensorConfig) bool { return c.ID == id })), format, args...)
	return r.problems[0]
}

type overviewer struct {
	reporter
	*Site
	at     time.Time
	states map[string][]PointInForce // by place
	lives  map[string]string         // the place of each cohort, "" for nowhere

	idle, limitless group // enclosures without a sensor, places without any limit
}

// group collects places that share one warning.
type group struct {
	path  string // of the first
	names []string
}

func (g *group) add(path, name string) {
	if g.names == nil {
		g.path = path
	}
	g.names = append(g.names, name)
}

// called names a place or the like for people: by its title before its id.
func called(title, id string) string {
	if title == "" || title == id {
		return id
	}
	return title + " (" + id + ")"
}

// enclosure sums up what is watched at a place, and warns of what is not.
func (o *overviewer) enclosure(i int) string {
	place, path := &o.Places[i], index("places", i)
	name := called(place.Title, place.ID)
	cohorts := o.cohortsIn(place.ID)
	if !o.measured(place.ID) {
		switch {
		case len(cohorts) > 0:
			o.warnf(path, "%s is not watched, although %s lives there: no sensor is there", name, sayList(cohorts))
		case !place.Room:
			o.idle.add(path, name)
		}
		return ""
	}
	var limits, bare []string
	for _, p := range o.states[place.ID] {
		if !p.Band.Empty() {
			limits = append(limits, sayQuantity(p.Point.Quantity)+" "+o.limits(p.Point.Quantity, &p.Band)+whoseLimits(&p))
		} else if !p.Point.Quantity.Derived() {
			bare = append(bare, sayQuantity(p.Point.Quantity))
		}
	}
	switch {
	case len(limits) > 0:
	case len(cohorts) > 0:
		o.warnf(path, "no alarm can come from %s: sensors are there, but %s has no limits now for %s", name, sayList(cohorts), sayList(bare))
		return ""
	default:
		o.limitless.add(path, name)
		return ""
	}
	line := name
	if residents := o.residents(place.ID); len(residents) > 0 {
		line += ", " + strings.Join(residents, " and ")
	}
	line += ": " + strings.Join(limits, "; ")
	if len(bare) > 0 {
		line += "; without limits: " + sayList(bare)
	}
	return line
}

// measured reports whether a sensor is at a place.
func (o *overviewer) measured(place string) bool {
	return slices.ContainsFunc(o.states[place], func(p PointInForce) bool { return !p.Point.Quantity.Derived() })
}

// cohortsIn lists the cohorts of a place.
func (o *overviewer) cohortsIn(place string) []string {
	var ids []string
	for _, id := range slices.Sorted(maps.Keys(o.lives)) {
		if o.lives[id] == place {
			ids = append(ids, id)
		}
	}
	return ids
}

// residents lists the cohorts at a place with their stages, such as "tadpoles of b-2026".
func (o *overviewer) residents(place string) []string {
	stages := map[string]care.Stage{}
	for _, p := range o.states[place] {
		maps.Copy(stages, p.Residents)
	}
	return each(slices.Sorted(maps.Keys(stages)), func(id string) string { return sayStage(stages[id]) + " of " + id })
}

// whoseLimits says whose the limits of a point are, where they are not all the same one's: " (low of a-2026 (larva), high of tub-1)".
func whoseLimits(p *PointInForce) string {
	of, order := map[string][]string{}, []string{}
	for l, owner := range p.Owners {
		if owner == "" {
			continue
		}
		if of[owner] == nil {
			order = append(order, owner)
		}
		of[owner] = append(of[owner], care.Limit(l).String())
	}
	if len(order) < 2 {
		return ""
	}
	texts := each(order, func(owner string) string { return sayList(of[owner]) + " of " + owner })
	return " (" + strings.Join(texts, ", ") + ")"
}

// limits writes the limits of a band in the keeper's unit: "70–75 °F, critical below 63 or above 81 °F".
func (o *overviewer) limits(q quantity.Quantity, b *care.Band) string {
	unit := q.Keeper(o.Display.Temperature)
	say := func(l care.Limit) string {
		number, rest, _ := strings.Cut(unit.Print(b.Limits[l], q.Decimals()), " ")
		return strings.TrimSuffix(strings.TrimSuffix(number, "0"), ".") + " " + rest
	}
	number := func(l care.Limit) string { text, _, _ := strings.Cut(say(l), " "); return text }
	var texts []string
	switch low, high := b.Has(care.Low), b.Has(care.High); {
	case low && high:
		texts = append(texts, number(care.Low)+"–"+say(care.High))
	case low:
		texts = append(texts, "from "+say(care.Low)+" up")
	case high:
		texts = append(texts, "up to "+say(care.High))
	}
	switch low, high := b.Has(care.CriticalLow), b.Has(care.CriticalHigh); {
	case low && high:
		texts = append(texts, "critical below "+number(care.CriticalLow)+" or above "+say(care.CriticalHigh))
	case low:
		texts = append(texts, "critical below "+say(care.CriticalLow))
	case high:
		texts = append(texts, "critical above "+say(care.CriticalHigh))
	}
	return strings.Join(texts, ", ")
}

// cohort warns of what the stage of a cohort needs and does not have.
func (o *overviewer) cohort(i int) {
	cohort, path := &o.Cohorts[i], index("cohorts", i)
	profile, place := o.Profiles[cohort.Profile], o.Site.place(o.lives[cohort.ID])
	if len(cohort.Stages) == 0 || place == nil {
		return
	}
	now := slices.IndexFunc(cohort.Stages, func(s care.Since) bool { return s.At.After(o.at) }) - 1
	switch now {
	case -2: // none lies in the future
		now = len(cohort.Stages) - 1
	case -1:
		first := cohort.Stages[0]
		o.warnf(index(join(path, "stages"), 0), "%s has no stage yet, so that none of its limits hold: it begins as %s on %s. Is that the right year?",
			cohort.ID, sayStage(first.Stage), first.At.In(o.at.Location()).Format("2 January 2006"))
		now = 0
	}
	if profile == nil || !o.measured(place.ID) { // a place without sensors is reported already
		return
	}
	fed := map[quantity.Quantity]bool{}
	for _, p := range o.states[place.ID] {
		fed[p.Point.Quantity] = true
	}
	unwatched, stages := map[quantity.Quantity]bool{}, []string{}
	for _, entry := range cohort.Stages[now:] {
		lacking := false
		for q := range profile.Care[entry.Stage].Bands {
			if _, own := place.Bands[q]; !own && !fed[q] {
				unwatched[q], lacking = true, true
			}
		}
		if word := sayStage(entry.Stage); lacking && !slices.Contains(stages, word) {
			stages = append(stages, word)
		}
	}
	if len(unwatched) == 0 {
		return
	}
	names := each(slices.Sorted(maps.Keys(unwatched)), sayQuantity)
	o.warnf(join(path, "place"), "%s of %s in %s need %s watched, and no sensor measures that there",
		sayList(stages), cohort.ID, called(place.Title, place.ID), sayList(names))
}

// notifierLines lists the notifiers of each priority, and warns if critical alarms have none.
func (o *overviewer) notifierLines() []string {
	if len(o.Notify) == 0 {
		o.warnf("notify", "nobody is told of any alarm: the configuration has no notify. Add a notifier, and try it with dewline alarm test")
		return nil
	}
	by := map[string][]string{} // notifiers → priorities; "" for those that no notifier takes
	var order []string
	for _, p := range []care.Priority{care.CriticalPriority, care.HighPriority, care.MediumPriority, care.LowPriority} {
		var who []string
		for i := range o.Notify {
			n := &o.Notify[i]
			if !slices.Contains(n.Priorities, p) {
				continue
			}
			text := cmp.Or(map[string]string{"mqtt": "MQTT"}[n.Kind], n.Kind)
			if len(n.To) > 0 {
				text += " to " + strings.Join(n.To, " and ")
			}
			if n.After > 0 {
				text += " after " + formatDuration(n.After)
			}
			if !slices.Contains(who, text) {
				who = append(who, text)
			}
		}
		if len(who) == 0 && p == care.CriticalPriority {
			o.warnf("notify", "nobody is told of critical alarms: no notifier takes that priority")
			continue
		}
		all := strings.Join(who, ", ")
		if by[all] == nil {
			order = append(order, all)
		}
		by[all] = append(by[all], p.String())
	}
	var lines []string
	for _, who := range order {
		switch priorities := by[who]; {
		case who != "":
			lines = append(lines, fmt.Sprintf("%s alarms go to %s", sayList(priorities), who))
		case len(priorities) == 1:
			lines = append(lines, fmt.Sprintf("nobody is told of %s alarms: no notifier takes that priority", priorities[0]))
		default:
			lines = append(lines, fmt.Sprintf("nobody is told of %s alarms: no notifier takes those priorities", sayList(priorities)))
		}
	}
	return lines
}

// sayQuantity names a quantity for people.
func sayQuantity(q quantity.Quantity) string {
	if q == quantity.RelativeHumidity {
		return "humidity"
	}
	return strings.ReplaceAll(q.String(), "-", " ")
}

// sayStage names the animals of a stage.
func sayStage(s care.Stage) string {
	return map[care.Stage]string{
		care.Egg: "eggs", care.Larva: "tadpoles", care.Metamorph: "metamorphs", care.Juvenile: "froglets", care.Adult: "adults",
	}[s]
}

func sayList(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}
