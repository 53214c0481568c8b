package remotewrite

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/format/metricname"
	"dewline/internal/store"
)

var (
	water    = quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	humidity = quantity.Point{Place: "vivarium-1", Quantity: quantity.RelativeHumidity}
)

// loft is two points of the North Loft, whose bands are invented.
func loft() *watch.Site {
	band := func(low, high float64) care.DayNight {
		b := care.NoBand()
		b.Limits[care.Low], b.Limits[care.High] = low, high
		return care.DayNight{Day: b, Night: b}
	}
	return &watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{Location: time.UTC, AlwaysDay: true},
		Places: []watch.Place{
			{ID: "tub-1", Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: band(21, 24)}},
			{ID: "vivarium-1", Bands: map[quantity.Quantity]care.DayNight{quantity.RelativeHumidity: band(70, 90)}},
		},
		Points: []watch.Point{{Point: water, Gap: time.Minute}, {Point: humidity, Gap: 3 * time.Minute}},
	}
}

// room is a history that grows as time goes by, and an export of it. Its values are invented.
type room struct {
	t         *testing.T
	path      string
	db        *store.Store
	seq       uint64
	run       int
	receiver  *receiver
	confirmed atomic.Bool
	since     instant.Instant
	random    *rand.Rand
	stop      func()
	exporter  *Exporter
}

func newRoom(t *testing.T) *room { return newRoomSince(t, instant.None) }

func newRoomSince(t *testing.T, since instant.Instant) *room {
	r := &room{t: t, path: filepath.Join(t.TempDir(), "history.db"), receiver: newReceiver(t), since: since, random: rand.New(rand.NewPCG(1, 2))}
	r.receiver.knows2 = true
	r.confirmed.Store(true)
	r.start()
	return r
}

// start opens the history and begins to export.
func (r *room) start() {
	db, err := store.Open(r.path, store.Options{})
	require.NoError(r.t, err)
	r.db = db
	r.run++
	r.exporter, err = New(Options{
		Target: Target{URL: "https://metrics.example/api/v1/write"}, Since: r.since, Store: db, Site: loft, Now: time.Now,
		Confirmed: r.confirmed.Load, Transport: r.receiver,
	})
	require.NoError(r.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() { assert.NoError(r.t, r.exporter.Run(ctx)) })
	r.stop = func() { cancel(); done.Wait() }
}

// close ends in good order.
func (r *room) close() {
	r.stop()
	require.NoError(r.t, r.db.Close(context.Background()))
}

// kill loses what has not been committed.
func (r *room) kill() {
	aside := r.path + "-aside"
	require.NoError(r.t, r.db.Backup(context.Background(), aside))
	r.close()
	r.path = aside
}

// live lets time pass: readings every 10 s and 25 s, a commit each minute.
func (r *room) live(d time.Duration) {
	for range int(d / (5 * time.Second)) {
		now := time.Now()
		if second := now.Unix(); second%10 == 0 {
			wave := math.Sin(float64(second) / 3000)
			r.db.Append(fmt.Sprint("run-", r.run), water, instant.Of(now.Add(123*time.Millisecond)), math.Round((22.5+2*wave)/0.0625)*0.0625, quantity.Pass, 0.0625)
		}
		if second := now.Unix(); second%25 == 0 {
			flag := quantity.Pass
			if r.random.IntN(20) == 0 {
				flag = quantity.Fail
			}
			r.db.Append(fmt.Sprint("run-", r.run), humidity, instant.Of(now), math.Round(800+100*math.Sin(float64(second)/1500))/10, flag, 0.1)
		}
		if now.Unix()%60 == 40 {
			require.NoError(r.t, r.db.Commit(r.t.Context()))
		}
		time.Sleep(5 * time.Second)
	}
}

func (r *room) record(kind journal.Kind, alarm string, state isa.State, priority string) {
	r.seq++
	e := &journal.Entry{Run: "run", Seq: r.seq, At: instant.Of(time.Now()), Kind: kind, Alarm: alarm, State: state, Priority: priority}
	require.NoError(r.t, r.db.Record(r.t.Context(), []*journal.Entry{e}, nil, store.State{}))
}

// checkReadings demands that what has arrived of a point is what the history holds, to the last digit and millisecond.
func (r *room) checkReadings(p quantity.Point, from instant.Instant) {
	r.t.Helper()
	base := metricname.ByUnit[p.Quantity.Unit()]
	got := r.receiver.of(fmt.Sprintf(`%s{place=%q,quantity=%q,site="north-loft"}`, base.Reading(), p.Place, p.Quantity))
	require.NotEmpty(r.t, got)
	var want []Sample
	for s, err := range r.db.Readings(r.t.Context(), p, from, fromMillis(got[len(got)-1].At+1)) {
		require.NoError(r.t, err)
		if s.Flag.Usable() {
			want = append(want, Sample{millis(s.At), quantity.Decimal(quantity.Decimal(s.Value) * base.Scale)})
		}
	}
	require.Len(r.t, got, len(want))
	for i := range want {
		require.Equal(r.t, want[i], got[i])
	}
}

// zones returns the newest seconds in each zone of a point.
func (r *room) zones(p quantity.Point) (seconds [watch.ZoneCount]float64, sum float64) {
	for _, zone := range watch.Zones() {
		got := r.receiver.of(fmt.Sprintf(`dewline_zone_seconds_total{place=%q,quantity=%q,site="north-loft",zone=%q}`, p.Place, p.Quantity, zone))
		if len(got) > 0 {
			seconds[zone] = got[len(got)-1].Value
			sum += seconds[zone]
			assert.Zero(r.t, got[0].Value, "a counter begins at nothing")
		}
	}
	return seconds, sum
}

// checkZones compares the zones with those of one core over all readings at once.
func (r *room) checkZones(p quantity.Point) {
	r.t.Helper()
	r.stop()
	of := r.exporter.progress.point(p)
	core := watch.New(*loft(), "all")
	index, _ := core.Index(p)
	var begin instant.Instant
	for s, err := range r.db.Readings(r.t.Context(), p, instant.None, instant.None) {
		require.NoError(r.t, err)
		begin = fromMillis(whole(millis(s.At)))
		break
	}
	core.Step(watch.Event{Kind: watch.StartEvent, At: begin}, nil)
	core.Step(watch.Event{Kind: watch.CutEvent, At: fromMillis(of.At)}, nil)
	var want [watch.ZoneCount]float64
	var effects []watch.Effect
	for s, err := range r.db.Readings(r.t.Context(), p, begin, instant.None) {
		require.NoError(r.t, err)
		effects = core.Step(watch.Event{Kind: watch.ReadingEvent, Point: index, At: s.At, Value: s.Value, Flag: s.Flag}, effects)
	}
	effects = core.Finish(instant.Of(time.Now()), effects)
	for _, e := range effects {
		if e.Kind == watch.LedgerClosed && e.Point == index && e.Ledger.To <= fromMillis(of.At) {
			for zone, took := range e.Ledger.InZone {
				want[zone] += took.Seconds()
			}
		}
	}
	got, sum := r.zones(p)
	for zone := range want {
		assert.InDelta(r.t, want[zone], got[zone], 0.001, "%s", watch.Zone(zone))
	}
	assert.InDelta(r.t, fromMillis(of.At).Sub(begin).Seconds(), sum, 0.004, "the zones add up to the time")
}

// Live, what is committed arrives within two minutes and the gap of its point, and is what the history holds.
func TestLive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRoom(t)
		defer r.close()
		begin := instant.Of(time.Now())
		r.live(3 * time.Hour)
		r.checkReadings(water, begin)
		r.checkReadings(humidity, begin)
		r.checkZones(water)
		r.checkZones(humidity)
		status := r.exporter.Status()
		assert.LessOrEqual(t, status.Behind, 2*time.Minute)
		assert.Empty(t, status.Err+status.Waiting)
		assert.Zero(t, status.Refused)
		assert.LessOrEqual(t, r.receiver.count(), 270, "hardly more than one a minute")
		zones, _ := r.zones(water)
		assert.Positive(t, zones[watch.InBand])
		assert.Positive(t, zones[watch.HighZone])
	})
}

// After hours without the receiver all arrives in order, at a bounded rate, and after kills nothing is missing.
func TestAnOutageIsMadeUpFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRoom(t)
		defer func() { r.close() }()
		begin := instant.Of(time.Now())
		r.live(20 * time.Minute)
		var away atomic.Bool
		away.Store(true)
		r.receiver.answers(func(int, *http.Request) *http.Response {
			if away.Load() {
				return &http.Response{}
			}
			return nil
		})
		before := r.receiver.count()
		r.live(5 * time.Hour)
		tries := r.receiver.count() - before
		assert.Less(t, tries, 320, "hardly more than one a minute")
		status := r.exporter.Status()
		assert.Greater(t, status.Behind, 4*time.Hour)
		assert.Contains(t, status.Err, "would reveal its address")
		r.kill()
		r.start()
		r.live(10 * time.Minute)
		away.Store(false)
		before, from := r.receiver.count(), time.Now()
		for r.run < 5 || r.exporter.Status().Behind > 2*time.Minute {
			r.live(10 * time.Second)
			require.Less(t, time.Since(from), time.Hour)
			if n := r.receiver.count(); n > before+60*(r.run-1) && r.run < 5 { // killed in the middle, three times
				r.kill()
				r.start()
			}
		}
		assert.Equal(t, 5, r.run)
		assert.Less(t, float64(r.receiver.count()-before)/time.Since(from).Seconds(), 20.0, "requests a second")
		r.live(10 * time.Minute)
		r.checkReadings(water, begin)
		r.checkReadings(humidity, begin)
		r.checkZones(water)
		r.checkZones(humidity)
	})
}

// Killed again and again at any time, it leaves nothing out, although a receiver refuses what it has already, and all that comes with it.
func TestKilledAtAnyTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRoom(t)
		defer func() { r.close() }()
		begin := instant.Of(time.Now())
		for range 10 {
			r.live(time.Duration(60+r.random.IntN(600)) * time.Second)
			r.kill()
			r.start()
		}
		r.live(15 * time.Minute)
		r.checkReadings(water, begin)
		r.checkReadings(humidity, begin)
		r.checkZones(water)
		r.checkZones(humidity)
		assert.Zero(t, r.exporter.Status().Refused)
	})
}

// While the clock is not confirmed nothing is sent, and then all of it.
func TestNothingIsSentByADoubtfulClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := instant.Of(time.Now())
		r := newRoomSince(t, begin)
		defer r.close()
		r.confirmed.Store(false)
		r.live(30 * time.Minute)
		assert.Zero(t, r.receiver.count())
		assert.Contains(t, r.exporter.Status().Waiting, "the clock is not confirmed")
		r.confirmed.Store(true)
		r.live(5 * time.Minute)
		r.checkReadings(water, begin)
		assert.Empty(t, r.exporter.Status().Waiting)
	})
}

// What is refused is counted and left out; what comes after it is sent.
func TestARefusedMinuteIsNotSentAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRoom(t)
		defer r.close()
		r.live(10 * time.Minute)
		before := r.receiver.count()
		r.receiver.answers(func(n int, _ *http.Request) *http.Response {
			if n == before+1 {
				return respond(400, "a label is too long")
			}
			return nil
		})
		r.live(10 * time.Minute)
		assert.InDelta(t, before+10, r.receiver.count(), 1)
		status := r.exporter.Status()
		assert.InDelta(t, 10, status.Refused, 4)
		assert.Empty(t, status.Err, "the next one was taken")
		assert.LessOrEqual(t, status.Behind, 2*time.Minute)
	})
}

// An alarm is 1 from the reading that raises it, each minute while it is active, and 0 from the one that clears it.
func TestAlarms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRoom(t)
		defer r.close()
		const high = "tub-1/water-temperature/high"
		r.live(time.Minute)
		r.record(journal.AlarmRaised, "gone/air-temperature/high", isa.Unacknowledged, "medium") // before the export begins
		r.live(4*time.Minute + 10*time.Second)
		raised := millis(instant.Of(time.Now()))
		r.record(journal.AlarmRaised, high, isa.Unacknowledged, "high")
		r.live(3 * time.Minute)
		r.record(journal.AlarmAcknowledged, high, isa.Acknowledged, "high")
		r.live(2 * time.Minute)
		cleared := millis(instant.Of(time.Now()))
		r.record(journal.AlarmCleared, high, isa.Normal, "high")
		r.live(10 * time.Minute)
		got := r.receiver.of(`dewline_alarm_active{limit="high",place="tub-1",priority="high",quantity="water-temperature",site="north-loft"}`)
		require.Len(t, got, 7)
		assert.Equal(t, Sample{raised, 1}, got[0])
		assert.Equal(t, Sample{cleared, 0}, got[6])
		for _, s := range got[1:6] {
			assert.Equal(t, 1.0, s.Value)
		}
		waits := r.receiver.of(`dewline_alarm_unacknowledged{limit="high",place="tub-1",priority="high",quantity="water-temperature",site="north-loft"}`)
		require.Len(t, waits, 5)
		assert.Zero(t, waits[4].Value)
		gone := r.receiver.of(`dewline_alarm_active{limit="high",place="gone",priority="medium",quantity="air-temperature",site="north-loft"}`)
		require.NotEmpty(t, gone)
		assert.Zero(t, gone[len(gone)-1].Value, "an alarm that the site has no more ends")
		r.stop()
		assert.Empty(t, r.exporter.progress.Active)
	})
}

// A fault is named by its sensor and channel, and one that becomes worse is another series, the first of which ends.
func TestFaultsAndPriorities(t *testing.T) {
	at := func(ms int64, kind journal.Kind, alarm, priority string) *journal.Entry {
		return &journal.Entry{At: fromMillis(ms), Kind: kind, Alarm: alarm, Priority: priority, State: isa.Unacknowledged}
	}
	active := map[string]*alarmSeries{}
	list := alarmMinute("north-loft", 0, []*journal.Entry{
		at(1000, journal.AlarmRaised, "sensor/tub-1-probe/temperature/fault", "low"),
		at(2000, journal.AlarmWorsened, "sensor/tub-1-probe/temperature/fault", "high"),
	}, active, nil)
	var text strings.Builder
	for _, s := range list {
		fmt.Fprintln(&text, nameOf(s.Labels), s.Samples)
	}
	assert.Equal(t, `dewline_alarm_active{limit="fault",place="sensor",priority="high",quantity="tub-1-probe/temperature",site="north-loft"} [{2000 1} {59999 1}]
dewline_alarm_active{limit="fault",place="sensor",priority="low",quantity="tub-1-probe/temperature",site="north-loft"} [{1000 1} {2000 0}]
dewline_alarm_unacknowledged{limit="fault",place="sensor",priority="high",quantity="tub-1-probe/temperature",site="north-loft"} [{2000 1} {59999 1}]
dewline_alarm_unacknowledged{limit="fault",place="sensor",priority="low",quantity="tub-1-probe/temperature",site="north-loft"} [{1000 1} {2000 0}]
`, text.String())
}

// Many points at a reading a second go out in several requests a minute, none of them large.
func TestRequestsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := instant.Of(time.Now())
		r := newRoomSince(t, begin)
		defer r.close()
		for s := range 300 {
			for i := range 100 {
				p := quantity.Point{Place: fmt.Sprint("tub-", 100+i), Quantity: quantity.AirTemperature}
				r.db.Append("run", p, begin.Add(time.Duration(s)*time.Second), 20+float64(s%7)/8, quantity.Pass, 0.125)
			}
		}
		r.live(8 * time.Minute)
		r.receiver.mu.Lock()
		defer r.receiver.mu.Unlock()
		total := 0
		for name, samples := range r.receiver.series {
			if strings.HasPrefix(name, "dewline_reading_celsius{place=\"tub-1") && strings.Contains(name, "air") {
				total += len(samples)
			}
		}
		assert.Equal(t, 100*300, total)
		for _, request := range r.receiver.requests {
			assert.Less(t, request.ContentLength, int64(40_000))
		}
	})
}

// What is made up for after days is read minute by minute: it takes no more memory than the present does.
func TestMemoryAfterDaysOfOutage(t *testing.T) {
	const days, points, maxGrowth = 3, 10, 3 << 20 // all of its 260,000 readings in memory would be at least 6 MB
	synctest.Test(t, func(t *testing.T) {
		begin := instant.Of(time.Now())
		r := newRoomSince(t, begin)
		defer func() { r.close() }()
		r.receiver.answers(func(int, *http.Request) *http.Response { return &http.Response{} })
		for s := 0; s < days*86400; s += 10 {
			for i := range points {
				p := quantity.Point{Place: fmt.Sprint("tub-", 100+i), Quantity: quantity.WaterTemperature}
				r.db.Append("run", p, begin.Add(time.Duration(s)*time.Second), 20+float64(s/10%7)/8, quantity.Pass, 0.125)
			}
			if s%3600 == 0 {
				require.NoError(t, r.db.Commit(t.Context()))
			}
		}
		time.Sleep(days * 24 * time.Hour)
		r.live(2 * time.Minute)
		used := func() uint64 {
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			return m.HeapAlloc
		}
		before, largest := used(), uint64(0)
		var requests atomic.Int64
		r.receiver.answers(func(int, *http.Request) *http.Response {
			if n := requests.Add(1); n%500 == 0 {
				largest = max(largest, used())
			}
			r.receiver.requests = nil // they would be what grows
			return respond(204, "", "X-Prometheus-Remote-Write-Samples-Written", "1")
		})
		for from := time.Now(); r.exporter.Status().Behind > 3*time.Minute; r.live(10 * time.Second) {
			require.Less(t, time.Since(from), 2*time.Hour)
		}
		r.receiver.mu.Lock()
		defer r.receiver.mu.Unlock()
		assert.Greater(t, requests.Load(), int64(days*1440-10), "a minute a request")
		require.Positive(t, largest)
		assert.Less(t, int64(largest)-int64(before), int64(maxGrowth))
		t.Logf("%d requests, %.1f MB before, %.1f MB at most", requests.Load(), float64(before)/1e6, float64(largest)/1e6)
	})
}
