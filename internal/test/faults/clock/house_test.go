package clock_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/journal"
	"dewline/internal/store"
	"dewline/internal/test/clockfile"
	"dewline/internal/test/harness"
)

func TestMain(m *testing.M) { harness.Main(m) }

const (
	high  = "tub-1/water-temperature/high"
	stale = "tub-1/water-temperature/stale"
	point = "tub-1/water-temperature"
	begin = `
site: north-loft
timezone: Europe/Lisbon
light: {day: "07:00-19:00"}
web: {listen: WEB}
control: {socket: SOCKET}
`
)

// site is one tub whose probe is read every ten seconds. The gap is long, so that a machine under load makes no unknown time.
const site = begin + `
places:
  - {id: tub-1, kind: enclosure, bands: {water-temperature: {low: 18 °C, high: 24 °C, on-delay: 10m, off-delay: 1m}}}
sensors:
  - {id: probe-1, driver: w1, address: 28-00000b3c5d1e, every: 10s, gap: 10m, stale-after: 15m, feeds: {temperature: tub-1/water-temperature}}
history: {path: HISTORY, keep: 2y}
`

// house is a rig with what a keeper finds out about a clock.
type house struct {
	*harness.House
	t *testing.T
}

func newHouse(t *testing.T, o harness.Options) *house {
	t.Parallel()
	harness.Binary(t) // before the clock begins to run
	if o.Site == "" {
		o.Site = site
	}
	h := &house{harness.New(t, o), t}
	h.Probe(1).Show(22)
	return h
}

// reboot is a power cut: the clock comes up as it may.
func (h *house) reboot(wall time.Time, synchronised bool) {
	h.t.Helper()
	require.NoError(h.t, clockfile.Change(h.Clock, func(s *clockfile.Setting) {
		s.Boot, s.Wall, s.Synchronised = s.Origin, wall, synchronised
	}))
}

// pass waits until a stretch of the site's own time has passed, however fast the machine is.
func (h *house) pass(d time.Duration) {
	h.t.Helper()
	setting, err := clockfile.Read(h.Clock)
	require.NoError(h.t, err)
	until := time.Now().Add(time.Duration(float64(d) / setting.Pace))
	h.Wait("time passes", func() bool { return time.Now().After(until) })
}

// reads waits until so many more reads have succeeded.
func (h *house) reads(more float64) {
	h.t.Helper()
	h.Wait("the sensor is read", func() bool { return h.read() > 0 })
	until := h.read() + more
	h.Wait("the sensor is read more often", func() bool { return h.read() >= until })
}

func (h *house) read() float64 {
	return h.Number(`dewline_sensor_reads_total{result="ok",sensor="probe-1"}`)
}

// dewline runs another verb of the program.
func (h *house) dewline(verb string, arguments ...string) []byte {
	h.t.Helper()
	command := exec.Command(harness.Binary(h.t), append([]string{verb, "--config", h.Config}, arguments...)...)
	var out, problems bytes.Buffer
	command.Stdout, command.Stderr = &out, &problems
	require.NoError(h.t, command.Run(), problems.String())
	return out.Bytes()
}

// exported is a row of an export.
type exported struct {
	at    time.Time
	value string // "" where nothing was obtained
}

// export returns the readings of the tub, in the order in which the export has them.
func (h *house) export() []exported {
	h.t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(h.dewline("export", "--point", point, "--format", "csv"))).ReadAll()
	require.NoError(h.t, err)
	var list []exported
	for _, row := range rows[1:] {
		at, err := time.Parse(time.RFC3339Nano, row[0])
		require.NoError(h.t, err)
		list = append(list, exported{at, row[2]})
	}
	return list
}

// exposure is what the tests read of a report.
type exposure struct {
	Points []struct {
		Point string
		Whole row
		Days  []day
	}
	Alarms []struct {
		Alarm         string
		Since, Raised time.Time
	}
}

type day struct {
	Day   string
	Hours float64
	row
}

type row struct {
	From, To time.Time
	ElapsedS float64 `json:"elapsed_s"`
	Seconds  map[string]float64
}

func (r row) sum() (sum float64) {
	for _, s := range r.Seconds {
		sum += s
	}
	return sum
}

func (h *house) report(arguments ...string) exposure {
	h.t.Helper()
	var e exposure
	require.NoError(h.t, json.Unmarshal(h.dewline("report", append(arguments, "--format", "json")...), &e))
	for _, p := range e.Points {
		for _, r := range append([]row{p.Whole}, rows(p.Days)...) {
			assert.InDelta(h.t, r.To.Sub(r.From).Seconds(), r.ElapsedS, 0.0005)
			assert.InDelta(h.t, r.ElapsedS, r.sum(), 0.0005, "the zones add up")
			for zone, s := range r.Seconds {
				assert.GreaterOrEqual(h.t, s, 0.0, zone)
			}
		}
	}
	return e
}

func rows(days []day) (list []row) {
	for _, d := range days {
		list = append(list, d.row)
	}
	return list
}

// journal returns all entries, the oldest first.
func (h *house) journal() []*journal.Entry {
	h.t.Helper()
	db, err := store.Open(h.History, store.Options{ReadOnly: true})
	require.NoError(h.t, err)
	defer db.Close(h.t.Context())
	entries, err := db.Journal(h.t.Context(), store.Filter{Limit: 10_000})
	require.NoError(h.t, err)
	slices.Reverse(entries)
	for i, e := range entries {
		assert.Equal(h.t, uint64(i+1), e.Seq, "the numbers have no hole")
	}
	return entries
}

// of picks the entries of some kinds.
func of(entries []*journal.Entry, kinds ...journal.Kind) (list []*journal.Entry) {
	for _, e := range entries {
		if slices.Contains(kinds, e.Kind) {
			list = append(list, e)
		}
	}
	return list
}

// inOrder holds that the times of the entries follow their numbers.
func inOrder(t *testing.T, entries []*journal.Entry) {
	t.Helper()
	for i := 1; i < len(entries); i++ {
		assert.GreaterOrEqual(t, entries[i].At, entries[i-1].At, "%s and %s", entries[i-1].Kind, entries[i].Kind)
	}
}

// once holds that no reading is there twice, and that they stand in the order of their times.
func once(t *testing.T, list []exported) {
	t.Helper()
	for i := 1; i < len(list); i++ {
		assert.Greater(t, list[i].at.Sub(list[i-1].at), time.Duration(0), "%s", list[i].at)
	}
}

// stepOf returns the step that an entry records.
func stepOf(t *testing.T, e *journal.Entry) time.Duration {
	t.Helper()
	by, err := time.ParseDuration(strings.TrimPrefix(e.Text, "the clock was set by "))
	require.NoError(t, err)
	return by
}

// zoneSeconds adds up the time per zone and returns it with the time of the last reading, both of one picture.
func (h *house) zoneSeconds() (sum, last float64) {
	text, err := h.Get("/metrics")
	if err != nil {
		return 0, 0
	}
	for line := range strings.Lines(text) {
		name, value, _ := strings.Cut(strings.TrimSpace(line), " ")
		number, err := strconv.ParseFloat(value, 64)
		switch {
		case err != nil:
		case strings.HasPrefix(name, `dewline_zone_seconds_total{place="tub-1",quantity="water-temperature"`):
			assert.GreaterOrEqual(h.t, number, 0.0, name)
			sum += number
		case name == `dewline_sensor_last_success_timestamp_seconds{sensor="probe-1"}`:
			last = number
		}
	}
	return sum, last
}

// balance is what one picture says of the time per zone and of the last reading.
type balance struct {
	sum, last float64
	entries   int
}

// agree reports whether the zones have grown by the time that has really passed between two pictures.
func (b balance) agree(later balance, steps time.Duration) bool {
	diff := later.sum - b.sum - (later.last - b.last - steps.Seconds())
	return -0.0015 < diff && diff < 0.0015
}

func (h *house) look() balance {
	sum, last := h.zoneSeconds()
	return balance{sum, last, len(h.journal())}
}

// balance takes the zones of a moment in which no gap has just been taken for unknown.
func (h *house) balance() (b balance) {
	h.t.Helper()
	h.Wait("two pictures in a row that agree", func() bool {
		before := b
		b = h.look()
		return before.last > 0 && b.last > before.last && before.agree(b, 0)
	})
	return b
}

// exact holds that since an earlier balance the zones have grown by the time that has really passed, to the millisecond: by the
// times of the readings, less the steps in between.
func (h *house) exact(since balance) {
	h.t.Helper()
	for range 300 {
		var steps time.Duration
		now := h.look()
		for _, e := range of(h.journal()[since.entries:], journal.ClockStepped) {
			steps += stepOf(h.t, e)
		}
		if since.agree(now, steps) {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	assert.Fail(h.t, "the time per zone is not that which has passed", "%+v, then %+v", since, h.look())
}
