package kill_test

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	_ "modernc.org/sqlite" // the driver

	"dewline/internal/core/watch"
	"dewline/internal/server/control"
	"dewline/internal/test/harness"
	"dewline/internal/test/mosquitto"
	"dewline/sensors/sensortest/kernelfiletest"
)

func TestMain(m *testing.M) {
	harness.Plain()
	harness.Main(m)
}

// The North Loft, an invented site. Its probes are read so often, and its delays are so short, that an alarm is raised or
// cleared every few moments.
const site = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - id: tub-1
    kind: enclosure
    in: loft
    bands: {water-temperature: {critical-low: 17 °C, low: 20 °C, high: 24 °C, critical-high: 27 °C, on-delay: 20s, off-delay: 20s}}
  - id: tub-2
    kind: enclosure
    in: loft
    bands: {water-temperature: {critical-low: 17 °C, low: 20 °C, high: 24 °C, critical-high: 27 °C, on-delay: 1m, off-delay: 30s}}
  - id: tub-3
    kind: enclosure
    in: loft
    latch: true
    bands: {water-temperature: {critical-low: 17 °C, low: 20 °C, high: 24 °C, critical-high: 27 °C, on-delay: 0s, off-delay: 10s}}
  - id: tub-4
    kind: enclosure
    in: loft
    bands: {water-temperature: {critical-low: 17 °C, low: 20 °C, high: 24 °C, critical-high: 27 °C, on-delay: 20s, off-delay: 20s}}
sensors:
  - {id: probe-1, driver: w1, address: ROM1, every: 5s, gap: 15s, feeds: {temperature: tub-1/water-temperature}}
  - {id: probe-2, driver: w1, address: ROM2, every: 5s, feeds: {temperature: tub-2/water-temperature}}
  - {id: probe-3, driver: w1, address: ROM3, every: 10s, gap: 30s, feeds: {temperature: tub-3/water-temperature}}
  - {id: probe-4, driver: w1, address: ROM4, every: 10s, feeds: {temperature: tub-4/water-temperature}}
web: {listen: WEB}
control: {socket: SOCKET}
history: {path: HISTORY}
mqtt: {broker: "BROKER"}
`

const (
	probes = 4
	// pace is how fast the clock of the house runs: the minute between two commits lasts a quarter of a second.
	pace = 240
	// maxLife and maxDowntime are in the machine's time.
	maxLife     = 800 * time.Millisecond
	maxDowntime = 400 * time.Millisecond
	// maxKills is how many kills one house sees at most.
	maxKills = 100
)

// gaps are those of the points, in the order of the probes. Without a word in the configuration a gap is a minute.
var gaps = []time.Duration{15 * time.Second, time.Minute, 30 * time.Second, time.Minute}

func point(probe int) string { return fmt.Sprintf("tub-%d/water-temperature", probe) }

// begin is an hour before a midnight at the site, which so falls between kills as well.
var begin = time.Date(2026, 7, 14, 22, 0, 0, 0, time.UTC)

func setting(t *testing.T, name string, usual uint64) uint64 {
	text := os.Getenv(name)
	if text == "" {
		return usual
	}
	n, err := strconv.ParseUint(text, 10, 64)
	require.NoError(t, err, name)
	return n
}

func TestKillAtAnyInstant(t *testing.T) {
	kills := int(setting(t, "DEWLINE_KILLS", 200))
	seed := setting(t, "DEWLINE_KILL_SEED", uint64(time.Now().UnixNano()))
	t.Logf("%d kills, DEWLINE_KILL_SEED=%d", kills, seed)
	houses := max(2, (kills+maxKills-1)/maxKills)
	var all figures
	t.Run("houses", func(t *testing.T) {
		for n := range houses {
			t.Run(strconv.Itoa(n+1), func(t *testing.T) {
				t.Parallel()
				h := furnish(t, rand.New(rand.NewPCG(seed, uint64(n))))
				for range (kills + n) / houses {
					h.kill()
				}
				h.rest()
				found := h.reckon()
				t.Log(found)
				all.add(found)
			})
		}
	})
	t.Log(all.String())
	assert.Equal(t, kills, all.kills)
	assert.Greater(t, all.transitions, kills/2, "too little happened to prove anything")
}

// house is a house with what the test knows of it.
type house struct {
	*harness.House
	t      *testing.T
	rng    *rand.Rand
	broker *mosquitto.Broker
	ears   *ears

	stopWalk chan struct{}
	walked   sync.WaitGroup

	deaths   []death
	pictures []picture
	answered []control.Request // acknowledgements that were answered with "done"
	started  time.Duration     // sum of the times from a start to the first answer
	starts   int
}

// death is the end of a process.
type death struct {
	launched, at time.Time // of the house's clock
	seq          uint64    // last entry of the journal in the dead files
	log          string
}

// picture is what the control socket answered soon after a start. The journal was between two numbers then.
type picture struct {
	from, to uint64
	alarms   []control.Alarm
}

func furnish(t *testing.T, rng *rand.Rand) *house {
	broker := mosquitto.Start(t, mosquitto.Options{Config: []string{
		"persistence true", "persistence_location " + t.TempDir() + "/", "max_queued_messages 0",
	}})
	harness.Binary(t) // before the clock of the house runs
	text := strings.ReplaceAll(site, "BROKER", broker.URL)
	for n := range probes {
		text = strings.ReplaceAll(text, fmt.Sprintf("ROM%d", n+1), harness.ROM(n+1))
	}
	h := &house{
		House: harness.New(t, harness.Options{Site: text, Start: begin, Pace: pace}), t: t, rng: rng, broker: broker, ears: listen(t, broker),
		stopWalk: make(chan struct{}),
	}
	list := make([]*kernelfiletest.Probe, probes)
	for n := range list {
		list[n] = h.Probe(n + 1)
		list[n].Show(22)
	}
	walk := rand.New(rand.NewPCG(rng.Uint64(), 0))
	h.walked.Go(func() { h.walk(list, walk) })
	t.Cleanup(h.halt)
	return h
}

// halt leaves the probes as they are.
func (h *house) halt() {
	select {
	case <-h.stopWalk:
	default:
		close(h.stopWalk)
	}
	h.walked.Wait()
}

// walk takes the probes up and down through their bands, each at its own rhythm. Now and then the last one is pulled out for some
// minutes.
func (h *house) walk(list []*kernelfiletest.Probe, rng *rand.Rand) {
	ticker := time.NewTicker(40 * time.Millisecond)
	defer ticker.Stop()
	phase := make([]float64, len(list))
	var back func()
	away := 0
	for {
		select {
		case <-h.stopWalk:
			if back != nil {
				back()
			}
			return
		case <-ticker.C:
		}
		switch {
		case away > 0:
			if away--; away == 0 {
				back()
				back = nil
			}
		case rng.IntN(200) == 0:
			back, away = list[len(list)-1].Away(), 10+rng.IntN(60)
		}
		for n, p := range list {
			phase[n] += (0.5 + rng.Float64()) * 0.1 / float64(1+n)
			if n < len(list)-1 || back == nil {
				p.Show(22 + 6.5*math.Sin(phase[n]))
			}
		}
	}
}

// kill starts the program, lets it live for a while and kills it.
func (h *house) kill() {
	h.t.Helper()
	seq := uint64(0)
	if len(h.deaths) > 0 {
		seq = h.deaths[len(h.deaths)-1].seq
	}
	if h.rng.IntN(20) == 0 {
		h.broker.Restart() // in good order: what it promised to deliver it has kept
	}
	d := death{launched: h.Now()}
	p := h.Launch()
	asked := make(chan struct{})
	close(asked)
	switch how := h.rng.IntN(4); how {
	case 0: // while it starts
		time.Sleep(h.chance(h.usualStart() * 5 / 4))
	case 1: // while it writes
		h.answers(p, seq)
		time.Sleep(h.chance(maxLife / 2))
		text := []string{`msg="writing readings"`, `msg=journal`}[h.rng.IntN(2)]
		h.see(p, text)
		time.Sleep(h.chance(4 * time.Millisecond))
	case 2: // while a person acknowledges
		h.answers(p, seq)
		time.Sleep(h.chance(maxLife))
		if asked = h.acknowledge(); h.rng.IntN(2) == 0 {
			<-asked
		} else {
			time.Sleep(h.chance(6 * time.Millisecond))
		}
	default: // at any instant
		h.answers(p, seq)
		time.Sleep(h.chance(maxLife))
	}
	p.Kill()
	d.at = h.Now()
	<-asked
	d.log = p.Log()
	d.seq = h.examine(h.rng.IntN(10) == 0)
	if n := len(h.pictures); n > 0 && h.pictures[n-1].to == 0 {
		h.pictures[n-1].to = d.seq
	}
	h.deaths = append(h.deaths, d)
	require.NotContains(h.t, d.log, "<3>", "an error after kill %d", len(h.deaths))
	if h.rng.IntN(3) == 0 {
		time.Sleep(h.chance(maxDowntime))
	}
}

func (h *house) chance(longest time.Duration) time.Duration {
	return time.Duration(h.rng.Int64N(int64(longest) + 1))
}

// usualStart is how long a start takes on average.
func (h *house) usualStart() time.Duration {
	if h.starts == 0 {
		return 100 * time.Millisecond
	}
	return h.started / time.Duration(h.starts)
}

// answers waits for the first answer of a new process, and keeps it.
func (h *house) answers(p *harness.Process, seq uint64) {
	h.t.Helper()
	start := time.Now()
	h.soon(p, "it answers", func() bool {
		alarms, err := h.Client.Alarms(h.t.Context())
		if err == nil {
			h.pictures = append(h.pictures, picture{from: seq, alarms: alarms})
		}
		return err == nil
	})
	h.started += time.Since(start)
	h.starts++
}

// see waits until the log has another line of that kind.
func (h *house) see(p *harness.Process, text string) {
	h.t.Helper()
	before := strings.Count(p.Log(), text)
	h.soon(p, text, func() bool { return strings.Count(p.Log(), text) > before })
}

// soon waits for something that a living process does, without the pauses of [rig.House.Wait].
func (h *house) soon(p *harness.Process, what string, holds func() bool) {
	h.t.Helper()
	for deadline := time.Now().Add(90 * time.Second); !holds(); time.Sleep(500 * time.Microsecond) {
		select {
		case <-p.Done():
			h.t.Fatalf("the program has ended by itself before: %s\n%s", what, p.Log())
		default:
		}
		require.Less(h.t, time.Now(), deadline, "waited in vain: %s", what)
	}
}

// acknowledge acknowledges an alarm that asks for it, in the background, and closes the channel once there is an answer or
// no process left to give one.
func (h *house) acknowledge() chan struct{} {
	done := make(chan struct{})
	alarms, err := h.Client.Alarms(h.t.Context())
	require.NoError(h.t, err)
	h.rng.Shuffle(len(alarms), func(i, k int) { alarms[i], alarms[k] = alarms[k], alarms[i] })
	for _, a := range alarms {
		if a.State != "B" && a.State != "D" && a.State != "E" {
			continue
		}
		request := control.Request{Verb: watch.Acknowledge, Alarm: a.Alarm, Occurrence: a.Occurrence, By: "keeper"}
		go func() {
			defer close(done)
			answer, err := h.Client.Command(h.t.Context(), request)
			if err == nil && answer.Done && answer.Changed {
				h.answered = append(h.answered, request)
			}
		}()
		return done
	}
	close(done)
	return done
}

// examine opens a copy of the dead files as SQLite does after a crash, and returns the number of the last entry. The files
// themselves are left to the program.
func (h *house) examine(thoroughly bool) uint64 {
	h.t.Helper()
	aside, err := filepath.Glob(h.History + ".*")
	require.NoError(h.t, err)
	for _, name := range aside {
		require.Contains(h.t, []string{h.History + ".lock", h.History + ".run"}, name, "a file was set aside")
	}
	folder := h.t.TempDir()
	defer os.RemoveAll(folder)
	copied := filepath.Join(folder, "history.db")
	for _, suffix := range []string{"", "-wal"} {
		data, err := os.ReadFile(h.History + suffix)
		if os.IsNotExist(err) {
			continue
		}
		require.NoError(h.t, err)
		require.NoError(h.t, os.WriteFile(copied+suffix, data, 0o600))
	}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: copied}).String())
	require.NoError(h.t, err)
	defer db.Close()
	if thoroughly {
		checkIntegrity(h.t, db)
	}
	var tables, seq uint64
	require.NoError(h.t, db.QueryRow("SELECT count(*) FROM sqlite_master WHERE name = 'journal'").Scan(&tables))
	if tables == 0 {
		return 0 // it was killed before it made any
	}
	require.NoError(h.t, db.QueryRow("SELECT ifnull(max(seq), 0) FROM journal").Scan(&seq))
	return seq
}

func checkIntegrity(t *testing.T, db *sql.DB) {
	t.Helper()
	var verdict string
	require.NoError(t, db.QueryRow("PRAGMA integrity_check").Scan(&verdict))
	require.Equal(t, "ok", verdict)
}

// rest lets all alarms of one kind stand, kills the program once more, and then lets it go in good order.
func (h *house) rest() {
	h.t.Helper()
	h.halt()
	for n := range probes {
		h.Probe(n + 1).Show(25.5)
	}
	standing := func() map[string]string {
		found := map[string]string{}
		alarms, err := h.Client.Alarms(h.t.Context())
		if err != nil {
			return nil
		}
		for _, a := range alarms {
			if a.State == "B" || a.State == "C" {
				found[a.Alarm] = string(a.State) + " " + a.Occurrence
			}
		}
		return found
	}
	seq := h.deaths[len(h.deaths)-1].seq
	p := h.Start()
	h.Wait("every tub is too warm", func() bool {
		found := standing()
		for n := range probes {
			if found[point(n+1)+"/high"] == "" {
				return false
			}
		}
		return true
	})
	before := standing()
	d := death{launched: h.Now()}
	p.Kill()
	d.at, d.log, d.seq = h.Now(), p.Log(), h.examine(true)
	require.GreaterOrEqual(h.t, d.seq, seq)
	h.deaths = append(h.deaths, d)

	p = h.Start()
	after := standing()
	for alarm, state := range before {
		if !strings.HasSuffix(alarm, "/high") {
			continue // one of an earlier walk may come to its end just now
		}
		assert.Equal(h.t, state, after[alarm], "an active alarm is still active, and in the same state: %s", alarm)
	}
	h.Wait("the outbox is empty", func() bool { return h.Metric(`dewline_outbox_pending{outlet="mqtt"}`) == "0" })
	different := ""
	h.t.Cleanup(func() { h.t.Log("last difference of a retained alarm:", different) })
	h.Wait("the retained alarms say the same", func() bool {
		alarms, err := h.Client.Alarms(h.t.Context())
		require.NoError(h.t, err)
		for _, a := range alarms {
			if heard := h.ears.letter(a.Alarm); heard != string(a.State) {
				different = fmt.Sprintf("%s is %s, heard %q", a.Alarm, a.State, heard)
				return false
			}
		}
		return true
	})
	require.NoError(h.t, p.Stop())
	h.deaths = append(h.deaths, death{launched: d.at, at: h.Now(), log: p.Log()})
	if n := len(h.pictures); n > 0 && h.pictures[n-1].to == 0 {
		h.pictures[n-1].to = math.MaxUint64
	}
}

// program returns what a verb of the program prints.
func (h *house) program(ctx context.Context, arguments ...string) []byte {
	h.t.Helper()
	out, err := command(ctx, harness.Binary(h.t), arguments...).Output()
	require.NoError(h.t, err)
	return out
}
