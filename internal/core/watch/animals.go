package watch

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// ahead is how far a date may lie in the future and still be taken for now: the clock of a phone is not that of the board.
const ahead = 2 * time.Minute

// The longest task and the largest count that are taken for what they say.
const (
	maxTask  = 64
	maxCount = 1_000_000
	// maxGosner is the last stage of Gosner (1960).
	maxGosner = 46
)

// reasons are why a count has changed; "" where nothing is said.
var reasons = []string{"", "died", "sold", "split", "found"}

// aboutAnimals takes what a person says of animals or their care into the record. A command that says what the record says already
// changes nothing. What was judged before stays as it was judged; from now on the limits of those who live there now hold.
func (c *Core) aboutAnimals(at instant.Instant, cmd *Command, out []Effect) []Effect {
	e, problem := c.entryOf(at, cmd)
	if problem == "" {
		problem = c.record.Refusal(&e, c.date)
	}
	if problem != "" {
		return c.Refuse(at, cmd, problem, out)
	}
	if c.record.InForceAlready(&e) {
		return out
	}
	return c.takeIntoRecord(at, e, cmd, out)
}

// takeIntoRecord writes an entry about animals, and puts it in force.
func (c *Core) takeIntoRecord(at instant.Instant, e cohort.Entry, cmd *Command, out []Effect) []Effect {
	j := c.newEntry(e.Kind, at)
	e.ID, e.Seq, e.Run, e.At = j.ID(), j.Seq, j.Run, at
	e.WriteTo(j)
	j.By, j.Reason, j.Text = cmd.By, cmd.Reason, cmd.Text
	return c.putOnRecord(at, e, append(out, Effect{Kind: Record, Point: -1, Entry: j}))
}

// putOnRecord puts in force what follows from an entry about animals.
func (c *Core) putOnRecord(at instant.Instant, e cohort.Entry, out []Effect) []Effect {
	c.unsaved.all = true
	before := map[string][]Resident{}
	for _, place := range c.placeOrder {
		before[place] = c.Residents(place, at)
	}
	c.record.Add(e)
	c.site.Intervals = c.record.Intervals()
	c.expect(at)
	for i := range c.alarms { // what was shelved was shelved for the animals and the stage of before
		if a := &c.alarms[i]; !a.ShelfUntil.IsNone() && !slices.Equal(before[a.place], c.Residents(a.place, at)) {
			out = c.unshelve(a, at, "", c.whyUnshelved(before[a.place], c.Residents(a.place, at)), out)
		}
	}
	return out
}

// whyUnshelved says what has changed in a place.
func (c *Core) whyUnshelved(before, now []Resident) string {
	for _, r := range now {
		if !slices.ContainsFunc(before, func(b Resident) bool { return b.Cohort == r.Cohort }) {
			return r.Cohort + " has moved in"
		}
		if !slices.Contains(before, r) {
			return "the stage of " + r.Cohort + " has changed"
		}
	}
	return "not all of the animals are there any more"
}

// since is from when on what a command says is true: the time that it names, but no later than now.
func (cmd *Command) since(now instant.Instant) instant.Instant {
	if cmd.At == 0 || cmd.At.IsNone() {
		return now
	}
	return min(cmd.At, now)
}

// entryOf reads a command as an entry of the record, or says in words for the keeper what is wrong with it.
func (c *Core) entryOf(at instant.Instant, cmd *Command) (cohort.Entry, string) {
	e := cohort.Entry{
		Seq: c.seq + 1, At: at, Since: cmd.since(at), Cohort: cmd.Cohort, Count: cohort.NotCounted, Why: cmd.Why, Corrects: cmd.Corrects,
	}
	if problem := c.inTheFuture(at, cmd); problem != "" {
		return e, problem
	}
	if !slices.Contains(reasons, cmd.Why) {
		return e, fmt.Sprintf("a count changes because animals died, were sold, split off or found, not %q", cmd.Why)
	}
	if cmd.Gosner < 0 || cmd.Gosner > maxGosner {
		return e, fmt.Sprintf("the stages of Gosner go from 1 to %d", maxGosner)
	}
	if cmd.Count != nil && (*cmd.Count < 0 || *cmd.Count > maxCount) {
		return e, fmt.Sprintf("a count of %d cannot be right", *cmd.Count)
	}
	switch cmd.Verb {
	case BeginCohort:
		e.Kind, e.Profile, e.Place = journal.CohortBegan, cmd.Profile, cmd.Place
		if err := quantity.CheckID(e.Cohort); err != nil {
			return e, "the id of a cohort: " + err.Error()
		}
		if c.site.Profiles[cmd.Profile] == nil {
			return e, fmt.Sprintf("the configuration has no care profile %q: it has %s", cmd.Profile, strings.Join(slices.Sorted(maps.Keys(c.site.Profiles)), ", "))
		}
		if cmd.Count != nil {
			e.Count = *cmd.Count
		}
		if e.Count == 0 {
			return e, "a cohort begins with at least one animal"
		}
	case SetStage:
		e.Kind = journal.CohortStage
	case MoveCohort:
		e.Kind, e.Place = journal.CohortMoved, cmd.Place
	case CountCohort, EndCohort:
		e.Kind = journal.CohortCounted
		if cmd.Verb == EndCohort {
			e.Count = 0
		} else if cmd.Count == nil {
			return e, "a count must say how many"
		} else {
			e.Count = *cmd.Count
		}
	case DoTask:
		return c.taskOf(e, cmd)
	}
	if e.Cohort == "" {
		return e, "name the cohort"
	}
	if e.Kind == journal.CohortBegan || e.Kind == journal.CohortMoved {
		if problem := c.unknownPlace(e.Place); problem != "" {
			return e, problem
		}
	}
	if e.Kind == journal.CohortBegan || e.Kind == journal.CohortStage {
		stage, err := care.Parse(cmd.Stage)
		if err != nil {
			return e, err.Error()
		}
		e.Stage, e.Gosner = stage, cmd.Gosner
	}
	if e.Kind == journal.CohortStage || e.Kind == journal.CohortCounted { // for those who look at what happened in a place
		if home := cohort.At(c.site.Intervals, e.Cohort, e.Since); home != nil {
			e.Place = home.Place
		}
	}
	return e, ""
}

// taskOf reads the command that says that a task of care is done.
func (c *Core) taskOf(e cohort.Entry, cmd *Command) (cohort.Entry, string) {
	e.Kind, e.Task, e.Place = journal.CareDone, strings.TrimSpace(cmd.Task), cmd.Place
	switch {
	case e.Task == "" || len(e.Task) > maxTask:
		return e, "name the task, such as feed or change-water"
	case e.Place == "" && e.Cohort == "":
		return e, "say for which place or which cohort it is done"
	case e.Place != "" && e.Cohort != "":
		return e, "say for which place or for which cohort it is done, not both"
	case e.Place != "":
		return e, c.unknownPlace(e.Place)
	case cohort.At(c.site.Intervals, e.Cohort, e.Since) == nil:
		return e, fmt.Sprintf("no cohort %q lives on %s", e.Cohort, c.date(e.Since))
	}
	return e, ""
}

func (c *Core) unknownPlace(place string) string {
	if place == "" {
		return "name the place"
	}
	if _, ok := c.places[place]; !ok {
		return fmt.Sprintf("there is no place %q: there are %s", place, strings.Join(c.placeOrder, ", "))
	}
	return ""
}

// inTheFuture refuses a date that has not come yet: the record holds what has happened.
func (c *Core) inTheFuture(at instant.Instant, cmd *Command) string {
	if cmd.At == 0 || cmd.At.IsNone() || cmd.At <= at.Add(ahead) {
		return ""
	}
	return fmt.Sprintf("%s lies in the future, and the record holds what has happened: say it again when it has", c.date(cmd.At))
}

// date writes a time as the site shows it; at midnight without the hour.
func (c *Core) date(i instant.Instant) string {
	t := i.Time().In(c.site.Location)
	if t.Hour() == 0 && t.Minute() == 0 {
		return t.Format("2 Jan 2006")
	}
	return t.Format("2 Jan 2006 15:04")
}

// Animals returns the intervals of all cohorts. They must not be changed; the core makes new ones when it has to.
func (c *Core) Animals() []cohort.Interval { return c.site.Intervals }

// Remember takes in the animals' record of a journal, whose entries are the truth where an older state of the core has others. It is
// called between [Core.Restore] and the start of a run.
func (c *Core) Remember(entries []cohort.Entry) {
	c.record.Entries = slices.DeleteFunc(c.record.Entries, func(e cohort.Entry) bool {
		return slices.ContainsFunc(entries, func(o cohort.Entry) bool { return o.Is(e) })
	})
	c.record.Add(entries...)
	for i := range entries { // a state that is older than the journal must not number its entries again
		c.seq = max(c.seq, entries[i].Seq)
	}
	c.site.Intervals = c.record.Intervals()
}

// FollowConfiguration records what a new configuration has changed about where cohorts live and what its sensors are:
// what was true before stays on record.
func (c *Core) FollowConfiguration(at instant.Instant) (out []Effect) {
	out = c.followParts(max(at, c.now), out)
	if c.before == nil {
		return out
	}
	at = max(at, c.now) // a clock that is not confirmed may show a time long gone by
	for _, e := range c.record.Follow(c.before, at) {
		out = c.takeIntoRecord(at, e, &Command{By: "the configuration", Reason: "its cohorts were changed"}, out)
	}
	c.before = nil
	return out
}

// Apart lists the quantities of which no value suits all the animals of a place, in words for the keeper.
func (c *Core) Apart(at instant.Instant) (warnings []string) {
	for i := range c.points {
		p := &c.points[i]
		if apart := c.site.Apart(p.name, at.Time()); apart[0] != "" {
			warnings = append(warnings, fmt.Sprintf("no %s suits all animals in %s: %s and %s leave no value in band", p.name.Quantity, p.name.Place, apart[0], apart[1]))
		}
	}
	return warnings
}

// Doubts lists what a keeper should look at after something was written of a cohort, in words: what its stage needs and no sensor of its
// place measures, a stage after Gosner that is not of its stage, and life that runs backwards.
func (c *Core) Doubts(id string, at instant.Instant) (warnings []string) {
	now := cohort.At(c.site.Intervals, id, at)
	if now == nil || c.site.Profiles[now.Profile] == nil {
		return nil
	}
	needs := c.site.Profiles[now.Profile].Care[now.Stage]
	var missing []string
	for _, q := range slices.Sorted(maps.Keys(needs.Bands)) {
		if _, measured := c.Index(quantity.Point{Place: now.Place, Quantity: q}); !measured && !q.Derived() {
			missing = append(missing, strings.ReplaceAll(q.String(), "-", " "))
		}
	}
	if len(missing) > 0 {
		warnings = append(warnings, fmt.Sprintf("no sensor in %s measures %s, which %s (%s) needs: no alarm can come from that", now.Place, strings.Join(missing, " and "), id, now.Stage))
	}
	if first, last := needs.GosnerRange(); now.Gosner != 0 && first != 0 && (now.Gosner < first || now.Gosner > last) {
		warnings = append(warnings, fmt.Sprintf("Gosner %d is not of a stage %s, which is %s after the profile %s", now.Gosner, now.Stage, needs.Gosner, now.Profile))
	}
	for _, before := range cohort.Life(c.site.Intervals, id) {
		if before.From < now.From && before.Stage > now.Stage {
			return append(warnings, fmt.Sprintf("%s was %s before: if that was wrong, correct %s", id, before.Stage, before.StageBy.ID))
		}
	}
	return warnings
}

// UnknownTask says in words for the keeper that a task which was done is none that is asked for: no profile of those who live there knows
// the word, nor is it one of [care.CommonTasks]. "" where it is known.
func (c *Core) UnknownTask(cmd *Command, at instant.Instant) string {
	at = cmd.since(at)
	var known []string
	for i := range c.site.Intervals {
		n := &c.site.Intervals[i]
		profile := c.site.Profiles[n.Profile]
		if here := n.Cohort == cmd.Cohort || n.Place == cmd.Place; profile == nil || !here || !n.Holds(at) {
			continue
		}
		for _, stage := range care.All() {
			tasks := profile.Care[stage].Tasks
			for k := range tasks {
				known = append(known, tasks[k].Do)
			}
		}
	}
	known = append(known, care.CommonTasks...)
	task := strings.TrimSpace(cmd.Task)
	if slices.Contains(known, task) {
		return ""
	}
	slices.Sort(known)
	return fmt.Sprintf("no profile here knows the task %q; known are %s", task, strings.Join(slices.Compact(known), ", "))
}
