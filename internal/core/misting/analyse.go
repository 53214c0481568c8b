package misting

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/internal/core/instant"
)

// Interval is a value with the interval that holds it in four of five cases.
type Interval struct{ Low, Mid, High float64 }

// Fit is what the recording says of the enclosure. Values that it does not give are NaN.
type Fit struct {
	Tau           time.Duration // 0 where it is not known
	TauLow        time.Duration
	TauHigh       time.Duration
	FloorPct      Interval // of the humidity that an enclosure left to itself ends at
	AirChanges    Interval // per hour
	Kappa         Interval // per hour
	Days          float64  // of which readings took part
	Doors         int      // that showed how fast the air recovers
	ScatterPct    float64  // by how much the model misses a minute, root mean square, %RH
	Refused       string   // why there is no fit at all; "" where there is one
	RefusedParts  string   // why air changes and evaporation are not known separately; "" where they are
	usable        bool
	result        outcome
	recordedDoses []float64
}

// Event is a misting, or one that was due and did not come.
type Event struct {
	At        instant.Instant
	Recorded  bool // in the journal; else recognised in the humidity
	Scheduled bool
	// Missed is a misting that was due or is on record, while the humidity did not rise. Hidden is one that nothing can be said of: the air was
	// wet already, or there were no readings.
	Missed, Hidden bool
	PeakPct        float64
	PeakHidden     bool          // the sensor was at its end: the true peak is not known
	Saturated      time.Duration // at the plateau
	Stuck          bool          // still saturated hours after
	Tau            time.Duration // of the dry-down; 0 where it is not known
	FloorPct       float64
	To80           time.Duration // from 100 to 80 %RH by tau and floor; 0 where it does not get there
	Below, Above   time.Duration // outside the band until the next misting
}

// Disturbance is what moved the humidity and was no misting.
type Disturbance struct {
	Kind     string // "door", "light", "room", "temperature"
	From, To instant.Instant
}

// Analysis is what a recording shows.
type Analysis struct {
	From, To     instant.Instant
	Events       []Event
	Disturbances []Disturbance
	Fit          Fit
	Present      Schedule // what the mister does, as set or as seen
	// CondensationNights is the number of nights in which the surface was at or under the dew point, of Nights that were measured;
	// SurfaceGuessed says that the surface was taken to lie between the air inside and the room.
	CondensationNights, Nights int
	SurfaceGuessed             bool

	recording *Recording
	series    *series
	band      *bandSeries
	prepared  *comparison
	surface   []float64 // density of saturation at the surface; NaN where unknown
}

const (
	// saturatedPct is where a humidity sensor can no longer be distinguished from its end.
	saturatedPct = 97.0
	hiddenPeak   = 99.0
	matchWithin  = 15 // minutes between a time on record and a rise
	missedWithin = 25 // minutes after a time that is due
	minDays      = 2.0
	minMistings  = 3
	maxScatter   = 6.0 // %RH; beyond it the enclosure is not what the model is about
)

// Analyse reads a recording.
func Analyse(r *Recording) *Analysis {
	a := begin(r)
	if r.To > r.From {
		a.fit()
		a.describe()
	}
	return a
}

// Look is Analyse without a fit, which is most of its work: events, the present schedule and nights.
func Look(r *Recording) *Analysis {
	a := begin(r)
	a.Fit.refuse("the enclosure was not fitted")
	if r.To > r.From {
		a.describe()
	}
	return a
}

func begin(r *Recording) *Analysis {
	a := &Analysis{From: r.From, To: r.To, recording: r}
	r.Location = cmp.Or(r.Location, time.UTC)
	if r.To <= r.From {
		a.series = newSeries(&Recording{From: r.From, To: r.From})
		a.Fit.refuse("the recording has no length")
		return a
	}
	s := newSeries(r)
	a.series = s
	a.findEvents()
	a.surface = surfaceOf(r, s, 0)
	a.SurfaceGuessed = len(r.Surface) == 0 && s.hasRoom
	a.Present = r.Schedule
	if len(a.Present) == 0 {
		a.Present = a.seen()
	}
	a.countNights()
	return a
}

func (f *Fit) refuse(why string) {
	nan := Interval{math.NaN(), math.NaN(), math.NaN()}
	f.Refused, f.FloorPct, f.AirChanges, f.Kappa = why, nan, nan, nan
}

// findEvents brings together what is on record, what is due, and what the humidity shows.
func (a *Analysis) findEvents() {
	s, r := a.series, a.recording
	rises := s.recognise()
	taken := make([]bool, len(rises))
	take := func(i, before, after int) (minute int, ok bool) {
		best := -1
		for k, m := range rises {
			if !taken[k] && m >= i-before && m <= i+after && (best < 0 || absolute(m-i) < absolute(rises[best]-i)) {
				best = k
			}
		}
		if best < 0 {
			return 0, false
		}
		taken[best] = true
		return rises[best], true
	}
	judge := func(e *Event, i int) {
		switch v, rise := s.verdict(i); v {
		case Came:
			if at, ok := take(i, matchWithin, missedWithin); ok {
				rise = at
			}
			if !e.Recorded {
				e.At = s.at(rise)
			}
		case Missed:
			e.Missed = true
		default:
			if at, ok := take(i, matchWithin, missedWithin); ok {
				if !e.Recorded {
					e.At = s.at(at)
				}
				return
			}
			e.Hidden = true
		}
	}
	var events []Event
	for _, m := range r.Mistings {
		if i := s.index(m.At); i >= 0 && i < s.len() {
			e := Event{At: m.At, Recorded: true}
			judge(&e, i)
			events = append(events, e)
		}
	}
	for _, m := range r.Schedule.Over(r.From, r.To, r.Location) {
		if k := slices.IndexFunc(events, func(e Event) bool { return absolute(int(e.At.Sub(m.At)/minute)) <= missedWithin && !e.Scheduled }); k >= 0 {
			events[k].Scheduled = true
			continue
		}
		e := Event{At: m.At, Scheduled: true}
		judge(&e, s.index(m.At))
		events = append(events, e)
	}
	for k, m := range rises {
		if !taken[k] {
			events = append(events, Event{At: s.at(m)})
		}
	}
	slices.SortStableFunc(events, func(x, y Event) int { return compare(x.At, y.At) })
	a.Events = events
}

func compare(x, y instant.Instant) int {
	switch {
	case x < y:
		return -1
	case x > y:
		return 1
	}
	return 0
}

func absolute(i int) int { return max(i, -i) }

// mistings are those that happened, with their doses.
func (a *Analysis) mistings() []Misting {
	var all []Misting
	dose := map[instant.Instant]float64{}
	for _, m := range a.recording.Mistings {
		dose[m.At] = m.Dose
	}
	for _, e := range a.Events {
		if !e.Missed {
			all = append(all, Misting{At: e.At, Dose: a.doseOf(e, dose)})
		}
	}
	return all
}

// doseOf returns the dose of an event: as recorded, else that of the slot in the schedule.
func (a *Analysis) doseOf(e Event, recorded map[instant.Instant]float64) float64 {
	if d := recorded[e.At]; d > 0 {
		return d
	}
	if e.Scheduled {
		clock := minuteOfDay(e.At, a.recording.Location)
		best, dose := dayMinutes, 1.0
		for _, slot := range a.recording.Schedule {
			if d := absolute(slot.Minute - clock); d < best {
				best, dose = d, slot.Dose
			}
		}
		return dose
	}
	return 1
}

func minuteOfDay(at instant.Instant, location *time.Location) int {
	hour, m, _ := at.Time().In(location).Clock()
	return hour*60 + m
}

// seen returns the daily times at which mistings were seen on at least half of the days.
func (a *Analysis) seen() Schedule {
	const together = 20
	days := max(1, a.To.Sub(a.From).Hours()/24)
	var clocks []int
	for _, e := range a.Events {
		if !e.Missed {
			clocks = append(clocks, minuteOfDay(e.At, a.recording.Location))
		}
	}
	slices.Sort(clocks)
	var schedule Schedule
	for i := 0; i < len(clocks); {
		j := i
		for j < len(clocks) && clocks[j]-clocks[i] <= together {
			j++
		}
		if float64(j-i) >= days/2 {
			schedule = append(schedule, Slot{Minute: clocks[(i+j-1)/2], Dose: 1})
		}
		i = j
	}
	return schedule
}

// fit finds the parameters of the enclosure.
func (a *Analysis) fit() {
	s := a.series
	known := 0
	for i := range s.len() {
		if !math.IsNaN(s.vapour[i]) && !math.IsNaN(s.room[i]) {
			known++
		}
	}
	a.Fit.Days = float64(known) / dayMinutes
	happened := a.mistings()
	switch {
	case len(a.recording.Air) == 0:
		a.Fit.refuse("there is no air temperature of the enclosure, without which relative humidity says nothing of water")
		return
	case len(a.recording.Humidity) == 0:
		a.Fit.refuse("there is no relative humidity of the enclosure")
		return
	case a.Fit.Days < minDays:
		a.Fit.refuse(fmt.Sprintf("%.1f days of readings are too few: it takes %.0f", a.Fit.Days, minDays))
		return
	case len(happened) < minMistings:
		a.Fit.refuse(fmt.Sprintf("%d mistings are too few to see how the enclosure dries: it takes %d", len(happened), minMistings))
		return
	}
	d := doses(happened, s.from, s.len())
	mask := make([]bool, s.len())
	o := s.fit(startTheta(), d, mask)
	var opened []door
	for range 2 {
		opened = s.doors(o.shown, d)
		s.shut(opened, mask)
		o = s.fit(o.theta, d, mask)
	}
	for _, door := range opened {
		a.Disturbances = append(a.Disturbances, Disturbance{"door", s.at(door.opened), s.at(door.closed)})
	}
	a.Disturbances = append(a.Disturbances, s.otherDisturbances()...)
	slices.SortStableFunc(a.Disturbances, func(x, y Disturbance) int { return compare(x.From, y.From) })
	a.Fit.Doors, a.Fit.ScatterPct, a.Fit.result, a.Fit.recordedDoses = len(opened), o.scatter, o, d
	if o.judged == 0 || !(o.scatter <= maxScatter) {
		a.Fit.refuse(fmt.Sprintf("the humidity does not follow the mistings that are known (the model misses it by %.0f %%RH): mistings are missing in the record, or water comes from elsewhere", o.scatter))
		return
	}
	a.Fit.usable = true
	a.state(&o)
}

const (
	// z80 is the half width of an interval that holds four of five values of a normal distribution, in standard deviations.
	z80 = 1.2816
	// What the fit cannot know of itself, as standard deviations: the humidity that the sensor shows at the floor and how wet the soil
	// is taken to be (%RH each), and the time constant where few doors were seen: mist and leaves alone do not give it away.
	// The last two were chosen on simulated enclosures with seeds 1 to 60.
	unsureHumidity = 0.8
	unsureSoil     = 1.3
	unsureTau      = 0.06
	unsureOneDoor  = 0.15 // on top, and with more doors less, by the square root of their number
	enoughDoors    = 5
	// Beyond these, air changes and evaporation are not stated.
	maxUnsureN     = 0.11
	maxUnsureKappa = 0.13
)

// state turns parameters into what a keeper can read.
func (a *Analysis) state(o *outcome) {
	s := a.series
	n, kappa := math.Exp(o.theta[lnExchange]), math.Exp(o.theta[lnKappa])
	var sat, soil, room float64
	count := 0
	for i := range s.len() {
		if math.IsNaN(s.vapour[i]) || math.IsNaN(s.room[i]) {
			continue
		}
		sat, soil, room = sat+s.sat[i], soil+s.soil[i], room+s.room[i]
		count++
	}
	sat, soil, room = sat/float64(count), soil/float64(count), room/float64(count)
	floor := 100 * Floor(n, kappa, room, soil) / sat
	few := math.Hypot(unsureTau, unsureOneDoor/math.Sqrt(max(1, float64(a.Fit.Doors))))
	// ln τ = −ln(n+κ).
	wn, wk := n/(n+kappa), kappa/(n+kappa)
	c := &o.covariance
	varTau := wn*wn*c[lnExchange][lnExchange] + wk*wk*c[lnKappa][lnKappa] + 2*wn*wk*c[lnExchange][lnKappa]
	sdTau := math.Sqrt(varTau + few*few)
	a.Fit.Tau = Tau(n, kappa)
	a.Fit.TauLow = time.Duration(float64(a.Fit.Tau) * math.Exp(-z80*sdTau))
	a.Fit.TauHigh = time.Duration(float64(a.Fit.Tau) * math.Exp(z80*sdTau))
	dn, dk := 100*n*kappa*(room-soil)/((n+kappa)*(n+kappa)*sat), 100*n*kappa*(soil-room)/((n+kappa)*(n+kappa)*sat)
	sdFloor := math.Sqrt(dn*dn*c[lnExchange][lnExchange] + dk*dk*c[lnKappa][lnKappa] + 2*dn*dk*c[lnExchange][lnKappa] + unsureHumidity*unsureHumidity)
	a.Fit.FloorPct = Interval{max(0, floor-z80*sdFloor), min(100, floor), min(100, floor+z80*sdFloor)}
	nan := Interval{math.NaN(), math.NaN(), math.NaN()}
	a.Fit.AirChanges, a.Fit.Kappa = nan, nan
	if !s.hasRoom {
		a.Fit.RefusedParts = "nothing measures the humidity of the room: how much of the drying is ventilation is not known"
		return
	}
	// n = (1/τ)(ρ_s − ρ∞)/(ρ_s − ρ_room): what is unsure of ρ_s and of ρ∞ weighs the more, the wetter the floor.
	levels := unsureHumidity*unsureHumidity + unsureSoil*unsureSoil
	gap, over := 100-floor, floor-100*room/sat
	sdN := math.Sqrt(c[lnExchange][lnExchange] + few*few + levels/(gap*gap))
	sdK := math.Sqrt(c[lnKappa][lnKappa] + few*few + levels/(over*over) + levels/(gap*gap)*wn*wn)
	switch {
	case !(sdN <= maxUnsureN) && a.Fit.Doors < enoughDoors:
		a.Fit.RefusedParts = "the air was hardly ever seen recovering without mist: open the door for a minute, five times or more, while the leaves are dry"
		return
	case !(sdN <= maxUnsureN):
		a.Fit.RefusedParts = "the enclosure dries too little between mistings for its sensor to distinguish ventilation from evaporation"
		return
	}
	a.Fit.AirChanges = Interval{n * math.Exp(-z80*sdN), n, n * math.Exp(z80*sdN)}
	if !(sdK <= maxUnsureKappa) {
		a.Fit.RefusedParts = "soil and plants give too little water beside what the room brings for the sensor to show how much"
		return
	}
	a.Fit.Kappa = Interval{kappa * math.Exp(-z80*sdK), kappa, kappa * math.Exp(z80*sdK)}
}

// otherDisturbances finds fast changes of the room's humidity and of the enclosure's temperature, which move the humidity without any
// water.
func (s *series) otherDisturbances() (all []Disturbance) {
	const (
		within    = 30  // minutes
		roomMoves = 1.2 // g/m³
		airMoves  = 1.0 // K
	)
	add := func(kind string, values []float64, least float64) {
		for i := within; i < len(values); i++ {
			if math.Abs(values[i]-values[i-within]) >= least {
				all = append(all, Disturbance{kind, s.at(i - within), s.at(i)})
				i += within
			}
		}
	}
	if s.hasRoom {
		add("room", s.room, roomMoves)
	}
	for i := 1; i < s.len(); i++ {
		if s.day[i] != s.day[i-1] {
			all = append(all, Disturbance{"light", s.at(i), s.at(min(s.len()-1, i+within))})
		}
	}
	add("temperature", s.celsius, airMoves)
	return all
}

// surfaceOf returns the density of saturation each minute at a temperature so many K under that of the coldest surface: as measured, else
// for one that lies half-way between the air inside and the room.
func surfaceOf(r *Recording, s *series, under float64) []float64 {
	out := unknowns(s.len())
	celsius := perMinute(r.Surface, r.From, s.len(), maxBridge)
	around := perMinute(r.RoomAir, r.From, s.len(), maxBridge)
	for i := range out {
		c := celsius[i]
		if math.IsNaN(c) && len(r.Surface) == 0 {
			c = (s.celsius[i] + around[i]) / 2
		}
		c -= under
		const zero = 273.15
		out[i] = grams(c, 100) * (c + zero) / (s.celsius[i] + zero) // the pressure of vapour is the same beside the glass
	}
	return out
}

// describe fills in what is to be said of each event.
func (a *Analysis) describe() {
	s := a.series
	for k := range a.Events {
		e := &a.Events[k]
		e.PeakPct, e.FloorPct = math.NaN(), math.NaN()
		i := s.index(e.At)
		next := s.len()
		for _, later := range a.Events[k+1:] {
			if !later.Missed {
				next = min(next, s.index(later.At))
				break
			}
		}
		if i < 0 || i >= s.len() || next <= i {
			continue
		}
		a.outside(e, i, next)
		if e.Missed {
			continue
		}
		peakAt := -1
		for j := i; j < min(next, i+60); j++ {
			if h := s.humidity[j]; !math.IsNaN(h) && (peakAt < 0 || h > e.PeakPct) {
				e.PeakPct, peakAt = h, j
			}
		}
		if peakAt < 0 {
			continue
		}
		e.PeakHidden = e.PeakPct >= hiddenPeak
		plateau, end := 0, peakAt
		for j := i; j < next; j++ {
			h := s.humidity[j]
			if h >= saturatedPct {
				plateau, end = plateau+1, j
			} else if !math.IsNaN(h) && j > peakAt {
				break
			}
		}
		e.Saturated = time.Duration(plateau) * minute
		e.Stuck = !e.Hidden && s.stuck(i, a.nextSeen(k), cmp.Or(a.recording.StuckAfter, StuckAfter))
		a.dryDown(e, end, next)
	}
}

// nextSeen returns the minute of the next misting after event k that was seen to come: one into wet air ends no plateau.
func (a *Analysis) nextSeen(k int) int {
	for _, later := range a.Events[k+1:] {
		if !later.Missed && !later.Hidden {
			return a.series.index(later.At)
		}
	}
	return a.series.len()
}

func (a *Analysis) outside(e *Event, from, to int) {
	if a.recording.Limits == nil {
		return
	}
	s := a.series
	for j := from; j < to; j++ {
		low, high := a.recording.Limits(s.at(j))
		switch h := s.humidity[j]; {
		case h < low:
			e.Below += minute
		case h > high:
			e.Above += minute
		}
	}
}

// dryDown fits the fall after a plateau, in vapour density as a share of saturation.
func (a *Analysis) dryDown(e *Event, from, to int) {
	s := a.series
	for _, d := range a.Disturbances {
		if i := s.index(d.From); d.Kind == "door" && i > from && i < to {
			to = i
		}
	}
	var xs, ys []float64
	sat := 0.0
	for j := from; j < to; j++ {
		if v := s.vapour[j]; !math.IsNaN(v) {
			xs, ys = append(xs, float64(j-from)), append(ys, v)
			sat += s.sat[j]
		}
	}
	if len(xs) == 0 {
		return
	}
	sat /= float64(len(xs))
	if k := steepest(ys); k > 0 { // before, leaves are still wet
		xs, ys = xs[k:], ys[k:]
	}
	f, ok := fitExponential(xs, ys, 0.005*sat)
	if !ok {
		return
	}
	e.Tau = time.Duration(f.tau * float64(minute))
	e.FloorPct = 100 * f.floor / sat
	if d, ok := DryDown(e.Tau, f.floor, sat, 0.8*sat); ok {
		e.To80 = d
	}
}

// steepest returns where values fall fastest over a quarter of an hour.
func steepest(values []float64) (at int) {
	const over = 15
	fastest := 0.0
	for i := 0; i+over < len(values); i++ {
		if fall := values[i] - values[i+over]; fall > fastest {
			fastest, at = fall, i
		}
	}
	return at
}

// countNights counts the nights in which the surface was at or under the dew point for ten minutes or more.
func (a *Analysis) countNights() {
	a.CondensationNights, a.Nights = a.nightsOf(func(i int) float64 { return a.series.vapour[i] }, a.surface)
}

// NightsWithin counts the nights in which the surface came within so many K of the dew point for ten minutes or more, of those that were
// measured.
func (a *Analysis) NightsWithin(kelvin float64) (close, nights int) {
	if a.To <= a.From {
		return 0, 0
	}
	return a.nightsOf(func(i int) float64 { return a.series.vapour[i] }, surfaceOf(a.recording, a.series, kelvin))
}

// Humidity returns the relative humidity of the minute that begins at t as it was measured, in %RH; NaN where it is not known.
func (a *Analysis) Humidity(t instant.Instant) float64 {
	i := a.series.index(t)
	if i < 0 || i >= a.series.len() {
		return math.NaN()
	}
	return a.series.humidity[i]
}

const (
	wetMinutes   = 10
	nightMinutes = 60 // that must be known of a night for it to count
)

// nightsOf counts nights by a series of vapour densities, beside that of saturation at the surface.
func (a *Analysis) nightsOf(vapour func(i int) float64, surface []float64) (wet, nights int) {
	s := a.series
	minutes, known := 0, 0
	flush := func() {
		if known >= nightMinutes {
			nights++
			if minutes >= wetMinutes {
				wet++
			}
		}
		minutes, known = 0, 0
	}
	for i := range s.len() {
		night := !s.day[i]
		if a.recording.Day == nil { // without lights a night is what a clock calls so
			clock := minuteOfDay(s.at(i), a.recording.Location)
			night = clock < 7*60 || clock >= 19*60
		}
		if !night {
			flush()
			continue
		}
		if v := vapour(i); !math.IsNaN(v) && !math.IsNaN(surface[i]) {
			known++
			if v >= surface[i] {
				minutes++
			}
		}
	}
	flush()
	return wet, nights
}

// exponential is v = floor + span·exp(−t/τ).
type exponential struct{ tau, floor, span float64 }

// fitExponential fits a fall to values at times in minutes, by the best τ of a fine search; sigma is the scatter of a value. It is refused
// where the fall is not three times as high as the scatter, or shorter than its own time constant.
func fitExponential(xs, ys []float64, sigma float64) (best exponential, ok bool) {
	const minCount = 12
	if len(xs) < minCount {
		return best, false
	}
	length := xs[len(xs)-1] - xs[0]
	solve := func(tau float64) (e exponential, cost float64) {
		var n, sx, sxx, sy, sxy float64
		for i, x := range xs {
			b := math.Exp(-(x - xs[0]) / tau)
			n, sx, sxx, sy, sxy = n+1, sx+b, sxx+b*b, sy+ys[i], sxy+b*ys[i]
		}
		det := n*sxx - sx*sx
		if !(det > 1e-12) {
			return e, math.Inf(1)
		}
		e = exponential{tau, (sxx*sy - sx*sxy) / det, (n*sxy - sx*sy) / det}
		for i, x := range xs {
			d := ys[i] - e.floor - e.span*math.Exp(-(x-xs[0])/tau)
			cost += d * d
		}
		return e, cost
	}
	lowest := math.Inf(1)
	at := 0.0
	for tau := 2.0; tau < 4*length; tau *= 1.15 {
		if _, cost := solve(tau); cost < lowest {
			lowest, at = cost, tau
		}
	}
	if at == 0 {
		return best, false
	}
	low, high := at/1.15, at*1.15
	for range 60 {
		a, b := low+(high-low)*0.382, low+(high-low)*0.618
		_, ca := solve(a)
		_, cb := solve(b)
		if ca < cb {
			high = b
		} else {
			low = a
		}
	}
	best, _ = solve((low + high) / 2)
	return best, best.span > 3*sigma && length > best.tau && best.floor > 0
}
