package store

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/deliver/queue"
)

// loft makes up the readings of a site: half of the points are water temperatures from a part with steps of 1/16 °C, a
// quarter each air temperatures and humidities from a part with steps of 175/65535 °C and 100/65535 %, misted four times a
// day. Times tremble by up to 3 ms, as they do on a busy board. All of it is invented.
type loft struct {
	chance *rand.Rand
	points []quantity.Point
}

func newLoft(n int) *loft {
	l := &loft{chance: rand.New(rand.NewPCG(1, 2))}
	for i := range n {
		q := []quantity.Quantity{quantity.WaterTemperature, quantity.AirTemperature, quantity.WaterTemperature, quantity.RelativeHumidity}[i%4]
		l.points = append(l.points, quantity.Point{Place: fmt.Sprintf("tub-%d", i), Quantity: q})
	}
	return l
}

func (l *loft) read(i int, at instant.Instant) (value, resolution float64) {
	day := 2 * math.Pi * float64(at) / float64(24*hour)
	noise := l.chance.NormFloat64()
	switch l.points[i].Quantity {
	case quantity.WaterTemperature:
		return math.Round(16*(22+0.8*math.Sin(day)+0.03*noise)) / 16, 0.0625
	case quantity.AirTemperature:
		raw := math.Round((23 + 2*math.Sin(day) + 0.015*noise + 45) * 65535 / 175)
		return -45 + 175*raw/65535, 0.01
	}
	sinceMist := time.Duration(int64(at) % int64(6*hour)).Minutes()
	raw := math.Round((74 + 18*math.Exp(-sinceMist/40) + 2*math.Cos(day) + 0.04*noise) * 65535 / 100)
	return 100 * raw / 65535, 0.01
}

// run appends readings of all points every 10 s, and calls each of the others at its rhythm.
func (l *loft) run(s *Store, from instant.Instant, length time.Duration, every map[time.Duration]func(at instant.Instant)) {
	for d := time.Duration(0); d < length; d += 10 * second {
		at := from.Add(d)
		for i := range l.points {
			when := at.Add(time.Duration(i)*137*time.Millisecond + time.Duration(l.chance.IntN(4))*time.Millisecond)
			v, resolution := l.read(i, when)
			s.Append("run-1", l.points[i], when, v, quantity.Pass, resolution)
		}
		for rhythm, call := range every {
			if (d+10*second)%rhythm == 0 {
				call(at)
			}
		}
	}
}

// must ends a benchmark whose work failed.
func must(b *testing.B, err error) {
	b.Helper()
	if err != nil {
		b.Fatal(err)
	}
}

func open(b *testing.B) *Store {
	s, err := Open(filepath.Join(b.TempDir(), "history.db"), Options{})
	must(b, err)
	b.Cleanup(func() { _ = s.Close(context.Background()) })
	return s
}

// BenchmarkDay is a day of a site with 20 points: a Commit a minute, a state of the core every half hour, an alarm
// transition every 20 minutes that passes through the outbox. It reports what the process gave the file system to write
// (write_bytes in /proc/self/io, whole pages; what the file system's own journal adds comes on top).
func BenchmarkDay(b *testing.B) {
	state := make([]byte, 60_000) // of which a third does not compress
	rand.NewChaCha8([32]byte{}).Read(state[:20_000])
	for b.Loop() {
		l, s := newLoft(20), open(b)
		seq := uint64(0)
		before := written(b)
		l.run(s, noon, 24*hour, map[time.Duration]func(instant.Instant){
			minute:      func(instant.Instant) { must(b, s.Commit(b.Context())) },
			30 * minute: func(instant.Instant) { must(b, s.Record(b.Context(), nil, nil, State{Data: state})) },
			20 * minute: func(at instant.Instant) {
				seq++
				e := &journal.Entry{Seq: seq, Run: "run-1", At: at, Kind: journal.AlarmRaised, Alarm: "tub-1/water-temperature/high", Priority: "high"}
				item := queue.Item{Event: e.ID(), Class: queue.Alarm, Topic: "dewline/north-loft/events", Body: make([]byte, 500), At: at}
				must(b, s.Record(b.Context(), []*journal.Entry{e}, []OutboxItem{{"mqtt", item}}, State{Data: state}))
				items, err := s.Queue("mqtt").Next(0, 32)
				must(b, err)
				for _, i := range items {
					s.Queue("mqtt").Done(i.ID)
				}
			},
		})
		must(b, s.Close(b.Context()))
		b.ReportMetric(float64(written(b)-before)/1e6, "MB-written/day")
	}
}

// written returns what this process has given to the file system to write.
func written(b *testing.B) int64 {
	text, err := os.ReadFile("/proc/self/io")
	must(b, err)
	var n int64
	for line := range strings.Lines(string(text)) {
		if _, err := fmt.Sscanf(line, "write_bytes: %d", &n); err == nil {
			return n
		}
	}
	b.Fatal("the kernel does not count write_bytes")
	return 0
}

// BenchmarkDisk reports the bytes per reading of a file that is closed, all tables and indexes counted, after 30 days of 20 points, and the
// size of the log while it is open, which does not grow with the history.
func BenchmarkDisk(b *testing.B) {
	for b.Loop() {
		l, s := newLoft(20), open(b)
		const length = 30 * 24 * hour
		l.run(s, noon, length, map[time.Duration]func(instant.Instant){10 * minute: func(instant.Instant) { must(b, s.Commit(b.Context())) }})
		log, err := os.Stat(s.path + logSuffix)
		must(b, err)
		must(b, s.Close(b.Context()))
		file, err := os.Stat(s.path)
		must(b, err)
		b.ReportMetric(float64(file.Size())/(20*length.Seconds()/10), "B/reading")
		b.ReportMetric(float64(file.Size())/1e6, "MB/30-days")
		b.ReportMetric(float64(log.Size())/1e6, "MB-log")
	}
}

// BenchmarkTrend asks for trends of one of 4 points, of which a year is kept.
func BenchmarkTrend(b *testing.B) {
	l, s := newLoft(4), open(b)
	const year = 365 * 24 * hour
	l.run(s, noon, year, map[time.Duration]func(instant.Instant){hour: func(instant.Instant) { must(b, s.Commit(b.Context())) }})
	to := noon.Add(year)
	for name, length := range map[string]time.Duration{"day": 24 * hour, "month": 30 * 24 * hour, "year": year} {
		for i, sensor := range []string{"water", "air"} {
			b.Run(fmt.Sprintf("%s/%s", name, sensor), func(b *testing.B) {
				for b.Loop() {
					columns, err := s.Columns(b.Context(), l.points[i], to.Add(-length), to, 1200)
					must(b, err)
					if len(columns) != 1200 {
						b.Fatal(len(columns))
					}
				}
			})
		}
	}
	b.Run("replay-day", func(b *testing.B) {
		n := 0
		for b.Loop() {
			for _, err := range s.ReadingsBetween(b.Context(), to.Add(-24*hour), to, nil) {
				must(b, err)
				n++
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/reading")
	})
	b.Run("minutes-view-day", func(b *testing.B) {
		for b.Loop() {
			var n int
			must(b, s.database().reader.QueryRow("SELECT count(*) FROM minutes WHERE point = ? AND chunk_start BETWEEN ? AND ?",
				l.points[1].String(), millis(to.Add(-24*hour)), millis(to)).Scan(&n))
		}
	})
	b.Run("check", func(b *testing.B) {
		for b.Loop() {
			must(b, check(b.Context(), s.database().reader, "quick_check"))
		}
	})
	runtime.GC()
	b.Logf("resident after these queries: %s", resident(b))
}

func resident(b *testing.B) string {
	text, err := os.ReadFile("/proc/self/status")
	must(b, err)
	for line := range strings.Lines(string(text)) {
		if value, found := strings.CutPrefix(line, "VmRSS:"); found {
			return strings.TrimSpace(value)
		}
	}
	return "unknown"
}

func BenchmarkAppend(b *testing.B) {
	l, s := newLoft(20), open(b)
	at := noon
	values := make([]float64, 1000)
	for i := range values {
		values[i], _ = l.read(1, noon.Add(time.Duration(i)*10*second))
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		at = at.Add(10 * second)
		s.Append("run-1", l.points[1], at, values[n%1000], quantity.Pass, 0.01)
		n++
	}
}

func BenchmarkCodec(b *testing.B) {
	l := newLoft(4)
	for i, name := range []string{"water", "air"} {
		block := &block{}
		for k := range 360 {
			at := noon.Add(time.Duration(k) * 10 * second)
			v, _ := l.read(i, at)
			block.add(millis(at)+int64(l.chance.IntN(4)), v, quantity.Pass)
		}
		var e encoder
		p := e.encode(block, 0.01)
		b.Run("encode/"+name, func(b *testing.B) {
			b.ReportMetric(float64(len(p.samples)+len(p.fix))/360, "B/reading")
			for b.Loop() {
				e.encode(block, 0.01)
			}
		})
		b.Run("decode/"+name, func(b *testing.B) {
			var d decoder
			for b.Loop() {
				must(b, d.decode(p, 360, block))
			}
		})
	}
}

// BenchmarkRecord makes an alarm durable: its entry, its message and the part of the state that it changed, as an alarm of a limit brings
// them. It reports what the process gave the file system to write, and its processor time.
func BenchmarkRecord(b *testing.B) {
	s := open(b)
	part, body := make([]byte, 1000), make([]byte, 900)
	var before unix.Rusage
	must(b, unix.Getrusage(unix.RUSAGE_SELF, &before))
	begun, n := written(b), 0
	for b.Loop() {
		n++
		e := &journal.Entry{
			Seq: uint64(n), Run: "run-1", At: noon.Add(time.Duration(n) * second), Kind: journal.AlarmRaised, Alarm: "tub-1/water-temperature/high",
			Place: "tub-1", Priority: "high", Text: string(body[:600]),
		}
		item := queue.Item{Event: e.ID(), Class: queue.Alarm, Topic: "dewline/north-loft/events", Body: body, At: e.At}
		must(b, s.Record(b.Context(), []*journal.Entry{e}, []OutboxItem{{"mqtt", item}}, State{Data: part, Part: true}))
		items, err := s.Queue("mqtt").Next(0, 32)
		must(b, err)
		for _, i := range items {
			s.Queue("mqtt").Done(i.ID)
		}
	}
	var after unix.Rusage
	must(b, unix.Getrusage(unix.RUSAGE_SELF, &after))
	spent := after.Utime.Nano() + after.Stime.Nano() - before.Utime.Nano() - before.Stime.Nano()
	b.ReportMetric(float64(spent)/float64(n)/1e3, "µs-processor/op")
	b.ReportMetric(float64(written(b)-begun)/float64(n), "B-written/op")
}
