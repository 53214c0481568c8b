package trial

import (
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/pipeline"
	"dewline/internal/core/watch"
)

// The notifiers. The phone has the rule of the webhook in configs/north-loft.yaml; what is of lower priority goes out as well and
// is counted, and makes no sound.
const (
	phone   = "phone"
	notices = "notices"
	repeat  = 15 * time.Minute
)

func rules() *notify.Rules {
	return notify.New([]notify.Rule{
		{Notifier: phone, Priorities: []care.Priority{care.HighPriority, care.CriticalPriority}, Repeat: repeat, Until: "acknowledged"},
		{Notifier: notices, Priorities: []care.Priority{care.LowPriority, care.MediumPriority}},
	})
}

// dewline is the program under test: the daemon's own chain, with a clock, snapshots and restarts as the daemon has them.
// Everything that is outside of those (files, brokers, threads) is left out.
type dewline struct {
	setting *setting
	scorer  *scorer

	chain pipeline.Pipeline
	views map[string]*view
	limit []*view   // by point and limit
	fault [][]*view // by sensor: of the part, then of its channels
	ahead []*forecast

	true0       time.Time
	offset      time.Duration // of the wall clock
	unconfirmed bool          // the clock has not been confirmed
	runs        int
	on          bool

	keeping  bool // a power cut is near: what would be in the history then is kept
	snapshot []byte
	journal  []*journal.Entry // outlives a power cut, each entry at once
	log      []watch.Event    // readings since a minute before the snapshot
	logFrom  instant.Instant
	err      error

	trace     *tracer
	delivered int // messages that went out, each of which must be counted once
	incidents map[string]*heardOf
}

// heardOf is what the keeper has heard of an incident.
type heardOf struct {
	at     [2]int         // steps at which the phone sounded for it, and for something critical of it
	silent map[*view]bool // its alarms that have joined it without a sound
}

// join lets an alarm that has joined without a sound be known from when the incident was heard, which may still be to come.
func (h *heardOf) join(v *view) {
	h.silent[v], v.joined = true, h
	v.heard = min(v.heard, h.at[index(v.critical())])
}

// view is what is known of an alarm from its entries.
type view struct {
	point    int // −1 for a fault
	limit    care.Limit
	sensor   int // −1 for others
	kind     string
	letter   isa.State
	active   bool
	heard    int       // step at which the keeper's phone sounded for this occurrence; nowhere if it did not
	answers  string    // the last occurrence that he will acknowledge, since a message on it arrives
	joined   *heardOf  // the incident that it has joined without a sound; nil for none
	forecast *forecast // of an outlook alarm, the latest one
}

// The kinds of alarms: the last level of their names, but for limits.
const (
	onLimit = "limit"
	stale   = "stale"
	rising  = "rising"
	falling = "falling"
	fault   = "fault"
)

// notified reports whether people have been notified of the alarm and it is active.
func (v *view) notified() bool {
	return v.active && v.letter.InAlarm()
}

// known reports whether the keeper knows of the alarm, and it is active.
func (v *view) known(step int) bool { return v.notified() && v.heard <= step }

// audible reports whether a delivery makes a sound.
func audible(n *notify.Delivery) bool { return n.Notifier == phone }

func newDewline(s *setting, c *scorer, start time.Time) (*dewline, error) {
	d := &dewline{setting: s, scorer: c, true0: start, views: map[string]*view{}, incidents: map[string]*heardOf{}, limit: make([]*view, len(s.points)*care.LimitCount), fault: make([][]*view, len(s.parts))}
	d.fresh()
	for i, p := range s.points {
		if _, ok := d.chain.Core.Index(p.name); !ok {
			return nil, fmt.Errorf("the core has no point %s", p.name)
		}
		for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
			v := &view{point: i, limit: l, sensor: -1, kind: onLimit, letter: isa.Normal, heard: nowhere}
			d.views[p.name.String()+"/"+l.String()], d.limit[i*care.LimitCount+int(l)] = v, v
		}
		for _, kind := range []string{stale, rising, falling} {
			d.views[p.name.String()+"/"+kind] = &view{point: i, sensor: -1, kind: kind, letter: isa.Normal, heard: nowhere}
		}
	}
	for i, p := range s.parts {
		for k := -1; k < len(p.channels); k++ {
			v, of := &view{point: -1, sensor: i, kind: fault, letter: isa.Normal, heard: nowhere}, p.id
			if k >= 0 {
				of += "/" + string(p.channels[k].Channel)
			}
			d.views[journal.FaultPlace+"/"+of+"/"+fault], d.fault[i] = v, append(d.fault[i], v)
		}
	}
	return d, d.start()
}

// wall returns what the board's clock shows.
func (d *dewline) wall() time.Time { return d.scorer.truth.now().Add(d.offset) }

func (d *dewline) now() instant.Instant { return instant.Of(d.wall()) }

// fresh puts the program in its place as it is before it knows anything.
func (d *dewline) fresh() {
	d.chain = pipeline.Pipeline{Rules: rules()}
	d.chain.Configure(d.setting.watch, fmt.Sprint(d.runs))
}

// start begins a run around the core as it is.
func (d *dewline) start() (err error) {
	if d.chain.Line, err = d.setting.line(); err != nil {
		return err
	}
	d.on = true
	// An unconfirmed clock that shows an earlier time than the last record is wrong: time goes on from there.
	if last := d.chain.Core.Now(); d.unconfirmed && !last.IsNone() && last > d.now() {
		d.offset += last.Sub(d.now())
	}
	d.runs++
	d.step(watch.Event{Kind: watch.StartEvent, At: d.now(), Run: fmt.Sprint(d.runs), Unconfirmed: d.unconfirmed})
	return nil
}

// expectCut begins to keep what a power cut will leave.
func (d *dewline) expectCut() {
	d.keeping = true
	d.remember()
}

// remember takes a snapshot, as the daemon does each time something happens and every half hour.
func (d *dewline) remember() {
	var err error
	if d.snapshot, err = d.chain.Core.Snapshot(); err != nil {
		d.err = err
	}
	d.logFrom = d.now().Add(-time.Minute)
	kept := d.log[:0]
	for _, ev := range d.log {
		if ev.At >= d.logFrom {
			kept = append(kept, ev)
		}
	}
	d.log = kept
}

// cut ends the run without warning. The readings of the last minute are lost.
func (d *dewline) cut() {
	d.on, d.keeping = false, false
	lost := d.now().Add(-time.Minute)
	for len(d.log) > 0 && d.log[len(d.log)-1].At > lost {
		d.log = d.log[:len(d.log)-1]
	}
}

// boot starts again after a power cut, from what was kept.
func (d *dewline) boot(offset time.Duration) error {
	d.offset, d.unconfirmed = offset, true
	d.fresh()
	d.chain.Resume(d.journal)
	if err := d.chain.Core.Restore(d.snapshot); err != nil {
		return err
	}
	for _, v := range d.views {
		v.letter, v.active = isa.Normal, false
	}
	for _, a := range d.chain.Core.Alarms() {
		if v := d.views[a.Name]; v != nil {
			v.letter, v.active = a.Letter, a.Active
		}
	}
	for _, ev := range d.log { // the readings that the history has beyond the snapshot
		d.chain.ReplayReading(ev)
		d.carryOut()
	}
	d.log = d.log[:0]
	return d.start()
}

// set sets the wall clock by some time while the board runs.
func (d *dewline) set(by time.Duration) {
	d.offset += by
	if !d.on || by.Abs() <= time.Second { // slewing is followed
		return
	}
	d.step(watch.Event{Kind: watch.ClockStepEvent, At: d.now(), By: by})
	if d.keeping {
		for i := range d.log {
			d.log[i].At = d.log[i].At.Add(by)
		}
		d.remember()
	}
}

// confirm sets the clock right, and everybody knows that it is. The journal is put right, as the history does it.
func (d *dewline) confirm() {
	d.set(-d.offset)
	if !d.unconfirmed {
		return
	}
	d.unconfirmed = false
	doubt := d.chain.Core.Doubt()
	for _, step := range doubt.Steps {
		for _, e := range d.journal {
			if e.Seq <= step.Seq && slices.Contains(doubt.Runs, e.Run) {
				e.At = e.At.Add(step.By)
			}
		}
	}
	d.chain.AddEffects(d.chain.Core.ClockConfirmed(d.now()))
	d.carryOut()
}

// take takes what a sensor gave now.
func (d *dewline) take(s *intake.Sample) {
	outcome, err := d.chain.Take(*s)
	if err != nil {
		d.err = err
		return
	}
	if d.keeping {
		for _, r := range outcome.Readings {
			if at, ok := d.chain.Core.Index(r.Point); ok {
				d.log = append(d.log, watch.Event{At: r.At, Point: at, Value: r.Value, Flag: r.Flag})
			}
		}
	}
	d.carryOut()
}

// tick lets time pass.
func (d *dewline) tick() {
	d.chain.Tick(d.now())
	d.carryOut()
}

func (d *dewline) command(c watch.Command) {
	d.step(watch.Event{Kind: watch.CommandEvent, At: d.now(), Command: &c})
}

// step lets an event in and carries out what comes of it.
func (d *dewline) step(ev watch.Event) {
	d.chain.Step(ev)
	d.carryOut()
}

// carryOut carries out what has come of what was let in.
func (d *dewline) carryOut() {
	work := d.chain.Ready()
	recorded := false
	for i := range work.Effects {
		switch e := &work.Effects[i]; e.Kind {
		case watch.Record:
			d.note(e.Entry)
			fallthrough
		case watch.Refused:
			recorded = true
			d.trace.entry(d.scorer.truth.now(), e.Entry)
			kept := *e.Entry // its times are put right when the clock is
			d.journal = append(d.journal, &kept)
		}
	}
	if recorded && d.keeping {
		d.remember()
	}
	for _, delivery := range work.Deliveries {
		d.deliver(delivery)
	}
}

// note follows an alarm through its entries.
func (d *dewline) note(e *journal.Entry) {
	v := d.views[e.Alarm]
	if v == nil || e.State == "" {
		return
	}
	was := v.active
	v.letter = e.State
	switch e.Kind {
	case journal.AlarmRaised:
		v.active, v.heard = true, nowhere
		if v.joined != nil {
			delete(v.joined.silent, v)
			v.joined = nil
		}
		if v.kind == rising || v.kind == falling {
			d.foresee(v, *e.Setpoint, e)
		}
	case journal.AlarmReturned:
		v.answers = "" // it waits for him again
	case journal.AlarmCleared:
		v.active = false
	}
	if e.Silent && e.Incident != "" { // it joins what the keeper knows of, or will hear of
		d.heardOf(e.Incident).join(v)
	}
	if v.kind == onLimit && v.letter == isa.SuppressedByDesign && (e.Kind == journal.AlarmRaised || e.Kind == journal.AlarmSuppressed && was) {
		d.held(v, e.By)
	}
}

// held judges an alarm on a limit that is held back by design: wrongly where the truth is beyond the limit, unless the room's
// own truth is what the room's alarm says.
func (d *dewline) held(v *view, by string) {
	count := &d.scorer.tallies[playerDewline].Suppressed
	right := d.scorer.judge(limitOf{v.point, v.limit}) != True
	if cover := d.views[by]; !right && cover != nil && cover.point >= 0 {
		right = d.scorer.judge(limitOf{cover.point, cover.limit}) == True
	}
	if right {
		count.Rightly++
	} else {
		count.Wrongly++
	}
}

// deliver counts what goes out, and lets the keeper hear of it.
func (d *dewline) deliver(n notify.Delivery) {
	d.delivered++
	d.trace.message(d, &n)
	sounds := audible(&n)
	channel := &d.scorer.tallies[playerDewline].Notices
	if sounds {
		channel = &d.scorer.tallies[playerDewline].Phone
	}
	if sounds {
		arrives := d.scorer.path.arrives(d.scorer.truth.step, true)
		for _, name := range n.Entry.Also {
			if o := d.views[name]; o != nil {
				o.heard = min(o.heard, arrives)
			}
		}
	}
	v := d.views[n.Entry.Alarm]
	if sounds {
		d.scorer.tallies[playerDewline].Sounds[causeOf(n.Reason, v)]++
	}
	switch n.Reason {
	case notify.Again:
		channel.Again++
		if v != nil && sounds {
			d.hear(v, n.Entry.Occurrence)
			d.sound(n.Entry.Incident, v)
		}
		return
	case notify.Over:
		channel.Over++
		if v != nil && sounds { // a reminder: it finds nothing any more, and lets the keeper acknowledge
			d.hear(v, n.Entry.Occurrence)
		}
		return
	case notify.Digest:
		channel.Digests++
		arrives := d.scorer.path.arrives(d.scorer.truth.step, true)
		for _, held := range d.views {
			if sounds && held.notified() {
				held.heard = min(held.heard, arrives)
			}
		}
		return
	case notify.Advice:
		channel.Advice++
		return
	}
	if v == nil { // of another derived point: no band of this room is on one
		d.err = fmt.Errorf("a notification on %s, which the proving ground cannot judge", n.Entry.Alarm)
		return
	}
	switch v.kind {
	case fault:
		verdict := FaultFalse
		if d.scorer.faulty(v.sensor) {
			verdict = FaultTrue
		}
		channel.Verdicts[verdict]++
	case stale:
		verdict := FaultTrue
		if d.scorer.truth.step-d.scorer.truth.lived[v.point] < living {
			verdict = FaultFalse
		}
		channel.Verdicts[verdict]++
	case rising, falling:
		if f := v.forecast; f.settled {
			channel.Verdicts[f.verdict]++
		} else {
			f.channels = append(f.channels, channel)
		}
	default:
		if !sounds {
			channel.Verdicts[d.scorer.judge(limitOf{v.point, v.limit})]++
			break
		}
		why := "raised"
		if n.Entry.Kind != journal.AlarmRaised {
			why = "no longer covered"
		}
		arrives := d.scorer.call(playerDewline, limitOf{v.point, v.limit}, why, n.Entry.Occurrence)
		if v.heard = min(v.heard, arrives); arrives != nowhere {
			v.answers = n.Entry.Occurrence
		}
		d.sound(n.Entry.Incident, v)
		return
	}
	if sounds {
		d.hear(v, n.Entry.Occurrence)
		d.sound(n.Entry.Incident, v)
	}
}

// causeOf names why the phone sounds.
func causeOf(why notify.Reason, v *view) string {
	switch {
	case why == notify.Again:
		return soundRepetition
	case why == notify.Over:
		return "reminder"
	case why == notify.Digest:
		return "summary"
	case why == notify.Advice:
		return soundOften
	case v == nil:
		return "other"
	case v.kind == fault, v.kind == stale:
		return soundSensor
	case v.kind != onLimit:
		return "forecast"
	}
	return soundOf(v.critical())
}

// hear lets the keeper hear of an alarm, once its message arrives. He acknowledges it by the first message on it that does, also where it
// had joined an incident without a sound.
func (d *dewline) hear(v *view, occurrence string) {
	arrives := d.scorer.path.arrives(d.scorer.truth.step, true)
	if v.answers != occurrence && arrives != nowhere {
		d.scorer.hear(playerDewline, arrives, occurrence, d.placeOf(v))
		v.answers = occurrence
	}
	v.heard = min(v.heard, arrives)
	if v.kind == fault {
		d.scorer.faultMessage(v.sensor)
	}
}

// sound notes that the phone has sounded for an incident by one of its alarms.
func (d *dewline) sound(incident string, v *view) {
	h := d.heardOf(incident)
	h.at[0] = min(h.at[0], v.heard)
	if v.critical() {
		h.at[1] = min(h.at[1], v.heard)
	}
	for joined := range h.silent {
		joined.heard = min(joined.heard, h.at[index(joined.critical())])
	}
}

func (d *dewline) heardOf(incident string) *heardOf {
	h := d.incidents[incident]
	if h == nil {
		h = &heardOf{at: [2]int{nowhere, nowhere}, silent: map[*view]bool{}}
		d.incidents[incident] = h
	}
	return h
}

// critical reports whether the alarm is on a critical limit.
func (v *view) critical() bool { return v.kind == onLimit && v.limit.Critical() }

func index(critical bool) int {
	if critical {
		return 1
	}
	return 0
}

// placeOf returns the place to which a person goes for an alarm.
func (d *dewline) placeOf(v *view) string {
	if v.point < 0 {
		return d.setting.points[d.setting.parts[v.sensor].feeds[0]].name.Place
	}
	return d.setting.points[v.point].name.Place
}

// forecast is a notice that a limit will be left for longer than allowed, which time will prove right or wrong.
type forecast struct {
	limitOf
	channels []*Channel // of the messages on it, each of which is worth what it is
	raised   int
	until    int // a stay that begins later does not prove it
	nearest  float64
	right    bool
	settled  bool
	verdict  Verdict

	from, to int // steps that the forecast gives for the crossing, where timed
	timed    bool
	crossed  int // step of the crossing, once right
}

// foresee notes a forecast, whether or not a message says so: it may join an incident, or only be seen on a page. It comes true where the truth goes beyond the limit within one and a half times the horizon, for longer than
// is allowed.
func (d *dewline) foresee(v *view, level float64, e *journal.Entry) {
	step := d.scorer.truth.step
	v.forecast = &forecast{
		limitOf: limitOf{v.point, d.foreseen(v, level)}, raised: step, until: step + int(horizon*3/2/stepTime), nearest: math.Inf(-1),
	}
	if x := e.Expected; x != nil && x.From != nil {
		v.forecast.timed = true
		v.forecast.from = step + int(math.Floor(x.From.Sub(e.At).Minutes()))
		v.forecast.to = step + int(math.Ceil(x.To.Sub(e.At).Minutes()))
	}
	d.ahead = append(d.ahead, v.forecast)
}

// foreseen returns the limit that a forecast is about: the one at its level, now or when the band will have changed.
func (d *dewline) foreseen(v *view, level float64) care.Limit {
	inner, outer := care.High, care.CriticalHigh
	if v.kind == falling {
		inner, outer = care.Low, care.CriticalLow
	}
	t := d.scorer.truth
	later := d.setting.bandAt(d.setting.points[v.point].name, t.now().Add(horizon), t.moved)
	off := func(l care.Limit) float64 {
		far := math.Inf(1)
		for _, b := range []*band{&t.bands[v.point], &later} {
			if b.has(l) {
				far = min(far, math.Abs(b.limits[l]-level))
			}
		}
		return far
	}
	if off(outer) < off(inner) {
		return outer
	}
	return inner
}

// settleForecasts judges the forecasts whose time has come; at the end, all of them. A stay that began in their time may still have to
// last.
func (d *dewline) settleForecasts(last bool) {
	t := d.scorer.truth
	d.ahead = slices.DeleteFunc(d.ahead, func(f *forecast) bool {
		stay := t.open[f.point*care.LimitCount+int(f.limit)]
		if far, present := t.beyond(f.point, f.limit); present && t.step <= f.until {
			f.nearest = max(f.nearest, far)
		}
		if stay != nil && stay.from <= f.until {
			if !f.right && stay.long {
				f.right, f.crossed = true, stay.from
			}
			stay.foresee(f.raised)
		}
		waits := t.step < f.until || stay != nil && stay.from <= f.until && !f.right
		if waits && !last {
			return false
		}
		verdict := False
		switch {
		case f.right:
			verdict = True
		case f.nearest >= -d.setting.accuracyOf(f.point, t.values):
			verdict = TooClose
		}
		f.settled, f.verdict = true, verdict
		for _, channel := range f.channels {
			channel.Verdicts[verdict]++
		}
		tally := d.scorer.tallies[playerDewline]
		tally.Forecasts[verdict]++
		if f.timed && f.right {
			tally.Timed++
			if f.crossed >= f.from && f.crossed <= f.to {
				tally.InTime++
			}
			tally.Spans = append(tally.Spans, f.to-f.from)
		}
		return true
	})
}

// balance checks that each message has been counted once.
func (d *dewline) balance() error {
	tally := d.scorer.tallies[playerDewline]
	counted := tally.Phone.All() + tally.Notices.All()
	for _, f := range d.ahead {
		counted += len(f.channels)
	}
	if counted != d.delivered {
		return fmt.Errorf("%d messages went out, and %d were counted", d.delivered, counted)
	}
	return nil
}

// knows reports whether the keeper knows of a limit, by its own alarm or by that of the room, and it is active.
func (d *dewline) knows(at limitOf) bool {
	step := d.scorer.truth.step
	if d.limit[at.point*care.LimitCount+int(at.limit)].known(step) {
		return true
	}
	room := d.setting.points[at.point].room
	return room >= 0 && heat(at.limit) && d.limit[room*care.LimitCount+int(care.CriticalHigh)].known(step)
}

// faultNotified reports whether people have been notified that every sensor of a point, or the channel of it that feeds the point, has failed.
func (d *dewline) faultNotified(point int) bool {
	for _, sensor := range d.setting.points[point].sensors {
		channel := slices.Index(d.setting.parts[sensor].feeds, point)
		if step := d.scorer.truth.step; !d.fault[sensor][0].known(step) && !d.fault[sensor][1+channel].known(step) {
			return false
		}
	}
	return len(d.setting.points[point].sensors) > 0
}
