package disk

import (
	"bytes"
	"cmp"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	_ "modernc.org/sqlite"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
	"dewline/internal/test/harness"
	"dewline/internal/test/mosquitto"
)

func TestMain(m *testing.M) {
	flag.Parse()
	_ = flag.Set("test.parallel", "16") // they wait most of the time
	harness.Main(m)
}

const site = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - id: tub-1
    kind: enclosure
    in: loft
    bands: {water-temperature: {high: 24 °C, on-delay: 1m, off-delay: 1m, priority: high}}
  - id: tub-2
    kind: enclosure
    in: loft
    bands: {water-temperature: {high: 24 °C, on-delay: 1m, off-delay: 1m, priority: high}}
sensors:
  - {id: probe-1, driver: w1, address: 28-00000b3c5d1e, every: 20s, gap: 2h, stale-after: 4h, feeds: {temperature: tub-1/water-temperature}}
  - {id: probe-2, driver: w1, address: 28-0000dead0002, every: 20s, gap: 2h, stale-after: 4h, feeds: {temperature: tub-2/water-temperature}}
web: {listen: WEB}
control: {socket: SOCKET}
history: {path: FOLDER/card/history.db}
`

const (
	heat  = "tub-1/water-temperature/high"
	heat2 = "tub-2/water-temperature/high"
	fault = "sensor/history-file/fault"
	pace  = 300
)

var begin = time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)

// loft is a house with the receivers of its alarms.
type loft struct {
	*harness.House
	t     *testing.T
	card  string // the folder of the history
	phone *harness.Phone
	hook  *harness.Hook
}

func newLoft(t *testing.T, o harness.Options) *loft {
	t.Helper()
	broker := mosquitto.Start(t, mosquitto.Options{})
	l := &loft{t: t, phone: harness.Listen(t, broker.Address()), hook: harness.NewHook(t)}
	o.Start, o.Pace = begin, cmp.Or(o.Pace, pace)
	o.Site = site + fmt.Sprintf("mqtt: {broker: \"mqtt://%s\"}\nnotify: [{via: webhook, format: cloudevent, url: \"%s\"}]\n", broker.Address(), l.hook.URL)
	l.House = harness.New(t, o)
	l.card = filepath.Join(l.Folder, "card")
	l.History = filepath.Join(l.card, "history.db")
	require.NoError(t, os.Mkdir(l.card, 0o755))
	l.Probe(1).Show(22)
	l.Probe(2).Show(22)
	return l
}

// waitReported waits until an alarm is active and both the phone and the webhook have heard of it.
func (l *loft) waitReported(alarm string) (occurrence string) {
	l.t.Helper()
	l.Wait(alarm+" is raised", func() bool { return l.Letter(alarm) == "B" })
	occurrence = l.Alarm(alarm).Occurrence
	l.Wait(alarm+" is heard by MQTT", func() bool { return l.phone.Letter(alarm) == "B" })
	l.Wait(alarm+" is heard by the webhook", func() bool { return l.hook.Received(alarm) })
	return occurrence
}

func (l *loft) health() string {
	text, _ := l.Get("/health")
	return text
}

// past lets the daemon have a history worth damaging: a past that another run has written.
func (l *loft) past() {
	l.t.Helper()
	db, err := store.Open(l.History, store.Options{})
	require.NoError(l.t, err)
	var entries []*journal.Entry
	for i := range 2000 {
		entries = append(entries, &journal.Entry{Run: "past", Seq: uint64(i + 1), At: instant.Of(begin.Add(-time.Hour)), Kind: journal.Note, Text: strings.Repeat("invented ", 60)})
	}
	require.NoError(l.t, db.Record(l.t.Context(), entries, nil, store.State{}))
	require.NoError(l.t, db.Close(l.t.Context()))
}

// assertKept holds the file against what has happened: every transition of the two tubs is there, once, and readings without a hole
// as long as a commit's.
func (l *loft) assertKept(first, second string) {
	l.t.Helper()
	for alarm, occurrence := range map[string]string{heat: first, heat2: second} {
		raised := 0
		for _, e := range l.entries(alarm) {
			if e.Kind == journal.AlarmRaised {
				raised++
				assert.Equal(l.t, occurrence, e.Occurrence)
			}
		}
		assert.Equal(l.t, 1, raised, "%s is raised once and in the record", alarm)
	}
}

func (l *loft) entries(alarm string) []*journal.Entry {
	db, err := store.Open(l.History, store.Options{ReadOnly: true})
	require.NoError(l.t, err)
	defer db.Close(l.t.Context())
	entries, err := db.Journal(l.t.Context(), store.Filter{Alarm: alarm, Limit: 10_000})
	require.NoError(l.t, err)
	return entries
}

func (l *loft) notes() (texts []string) {
	for _, e := range l.entries("") {
		if e.Kind == journal.Note && !strings.HasPrefix(e.Text, "invented") {
			texts = append(texts, e.Text)
		}
	}
	return texts
}

// limitFiles makes every file of a process full that is longer than a byte.
func limitFiles(t *testing.T, p *harness.Process, limit uint64) {
	t.Helper()
	var old unix.Rlimit
	pid := p.Command.Process.Pid
	require.NoError(t, unix.Prlimit(pid, unix.RLIMIT_FSIZE, nil, &old))
	require.NoError(t, unix.Prlimit(pid, unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: limit, Max: old.Max}, nil))
}

// mounts reports whether this environment allows a small file system, and mounts it.
func mounts(folder, options string) bool {
	return syscall.Mount("dewline-test", folder, "tmpfs", 0, options) == nil
}

// smallCard mounts a small file system for the history, where that is allowed.
func smallCard(l *loft) {
	if mounts(l.card, "size=1m,mode=0755") {
		l.t.Cleanup(func() { _ = syscall.Unmount(l.card, syscall.MNT_DETACH) })
		l.t.Log("the card is a tmpfs of 1 MiB")
		return
	}
	l.t.Log("no file system may be mounted here: the card is full by a limit on the size of files")
}

func isSmall(l *loft) bool {
	var s unix.Statfs_t
	require.NoError(l.t, unix.Statfs(l.card, &s))
	return s.Blocks*uint64(s.Bsize) <= 1<<20
}

// overwrite fills pages of a file with nonsense, from one thousandth of it up to another, in place.
func overwrite(t *testing.T, path string, from, to int) {
	t.Helper()
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	defer file.Close()
	info, err := file.Stat()
	require.NoError(t, err)
	pages := int(info.Size() / 4096)
	for i := pages * from / 1000; i < pages*to/1000; i++ {
		_, err := file.WriteAt(bytes.Repeat([]byte{0xa5}, 4096), int64(i)*4096)
		require.NoError(t, err)
	}
}

// loseBlock overwrites the beginning of a file with ones, as an erase block of a card reads that was erased and not written again.
func loseBlock(t *testing.T, path string, size int) {
	t.Helper()
	file, err := os.OpenFile(path, os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = file.Write(bytes.Repeat([]byte{0xff}, size))
	require.NoError(t, errors.Join(err, file.Close()))
}

// What happens to the card of a daemon that runs.
func TestCardFaults(t *testing.T) {
	limit := func(n uint64) func(l *loft, p *harness.Process) {
		return func(l *loft, p *harness.Process) { limitFiles(l.t, p, n) }
	}
	for name, c := range map[string]struct {
		prepare func(l *loft)
		disturb func(l *loft, p *harness.Process)
		repair  func(l *loft, p *harness.Process) // nil: the program helps itself
		health  string                            // while it lasts
		note    string                            // in the journal
		lost    bool                              // readings of the past stay in what was set aside
		pace    float64                           // of the clock; 0 for the usual one
	}{
		"limit on the size of files": {
			disturb: limit(1), repair: limit(unix.RLIM_INFINITY), health: "history: ",
		},
		"full": {
			prepare: smallCard,
			disturb: func(l *loft, p *harness.Process) {
				if !isSmall(l) {
					limitFiles(l.t, p, 1)
					return
				}
				err := os.WriteFile(filepath.Join(l.card, "filler"), bytes.Repeat([]byte("x"), 2<<20), 0o600)
				require.ErrorIs(l.t, err, syscall.ENOSPC)
			},
			repair: func(l *loft, p *harness.Process) {
				_ = os.Remove(filepath.Join(l.card, "filler"))
				limitFiles(l.t, p, unix.RLIM_INFINITY)
			},
			health: "history: ",
		},
		"read-only": {
			prepare: smallCard,
			disturb: func(l *loft, p *harness.Process) {
				if isSmall(l) { // a file that is open for writing forbids the usual way; a card that fails does not ask
					err := syscall.Mount("", l.card, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, "")
					if err == nil {
						return
					}
				}
				limitFiles(l.t, p, 1)
			},
			repair: func(l *loft, p *harness.Process) {
				if isSmall(l) {
					_ = syscall.Mount("", l.card, "", syscall.MS_REMOUNT, "")
				}
				limitFiles(l.t, p, unix.RLIM_INFINITY)
			},
			health: "history: ",
		},
		"file removed": {
			disturb: func(l *loft, _ *harness.Process) { require.NoError(l.t, os.Remove(l.History)) },
			note:    "was removed while it was in use, and was put back",
		},
		"log removed": {
			disturb: func(l *loft, _ *harness.Process) { require.NoError(l.t, os.Remove(l.History+"-wal")) },
			note:    "-wal was removed while it was in use",
		},
		"file and log removed": {
			disturb: func(l *loft, _ *harness.Process) {
				require.NoError(l.t, os.Remove(l.History+"-wal"))
				require.NoError(l.t, os.Remove(l.History))
			},
			note: "was removed while it was in use, and was put back",
		},
		"folder removed": {
			disturb: func(l *loft, _ *harness.Process) { require.NoError(l.t, os.RemoveAll(l.card)) },
			repair:  func(l *loft, _ *harness.Process) { require.NoError(l.t, os.MkdirAll(l.card, 0o755)) },
			health:  "history: ", note: "was put back",
		},
		"folder moved away and back": {
			disturb: func(l *loft, _ *harness.Process) { require.NoError(l.t, os.Rename(l.card, l.card+"-away")) },
			repair:  func(l *loft, _ *harness.Process) { require.NoError(l.t, os.Rename(l.card+"-away", l.card)) },
			health:  "history: ",
		},
		"pages damaged": {
			prepare: (*loft).past,
			disturb: func(l *loft, _ *harness.Process) {
				overwrite(l.t, l.History, 300, 700)
				for before := 2001; before > 0; before -= 250 { // a reader of the past
					_, _ = l.Get(fmt.Sprintf("/api/journal?limit=500&before=%d", before))
				}
			},
			note: "was set aside as ", lost: true,
		},
		"block of the log lost": {
			disturb: func(l *loft, _ *harness.Process) { loseBlock(l.t, l.History+"-wal", 16<<10) }, note: "was set aside as ", lost: true,
		},
		"first page lost": {
			disturb: func(l *loft, _ *harness.Process) { loseBlock(l.t, l.History, 4<<10) }, note: "was set aside as ", lost: true,
		},
		"held by another program": {
			disturb: func(l *loft, _ *harness.Process) { hold(l) },
			repair:  func(l *loft, _ *harness.Process) { release(l) },
			health:  "history: ",
		},
		"calls never return": {
			prepare: freezableCard, disturb: freeze, repair: func(l *loft, _ *harness.Process) { thaw(l) },
			health: "history: ", pace: 60,
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l := newLoft(t, harness.Options{Pace: c.pace})
			if c.prepare != nil {
				c.prepare(l)
			}
			p := l.Start()
			l.Probe(1).Show(26)
			first := l.waitReported(heat)
			logged := len(p.Log())

			c.disturb(l, p)
			l.Probe(2).Show(26)
			began := time.Now()
			second := l.waitReported(heat2)
			heard := time.Since(began)
			l.Wait("the fault of the history is an alarm", func() bool { return l.Letter(fault) == "B" || l.Letter(fault) == "D" })
			if c.health != "" {
				l.Wait("health reports it", func() bool { return strings.Contains(l.health(), c.health) })
				l.Wait("the fault is reported over MQTT", func() bool { return l.phone.Letter(fault) == "B" })
			}
			now, err := l.Get("/api/now")
			require.NoError(t, err)
			assert.Contains(t, now, fault)
			list, err := exec.Command(harness.Binary(t), "alarm", "list", "--socket", l.Socket).CombinedOutput()
			require.NoError(t, err, string(list))
			assert.Contains(t, string(list), fault)
			if os.Getenv("DEWLINE_FAULTS") == "long" {
				time.Sleep(30 * time.Second)
			}
			lines := strings.Count(p.Log()[logged:], "level=ERROR") + strings.Count(p.Log()[logged:], "<3>")
			assert.LessOrEqual(t, lines, 12, "a line for each reason, not for each attempt")
			assert.Equal(t, first, l.Alarm(heat).Occurrence)
			if name == "held by another program" || name == "calls never return" {
				assert.Less(t, heard, 30*time.Second, "no notifier waits for the card")
			}
			if name == "calls never return" {
				l.browse()
			}

			if c.repair != nil {
				c.repair(l, p)
			}
			l.Wait("the fault is over, without a restart", func() bool { return l.Letter(fault) == "D" })
			l.Wait("health is well", func() bool { return l.health() == "watching\n" })
			assert.Equal(t, first, l.Alarm(heat).Occurrence)
			assert.Equal(t, second, l.Alarm(heat2).Occurrence)
			p.Kill() // a power cut: what has been repaired must be in the file
			p = l.Start()
			assert.Equal(t, first, l.Alarm(heat).Occurrence)
			assert.Equal(t, second, l.Alarm(heat2).Occurrence)
			assert.Equal(t, "B", l.Letter(heat2))
			require.NoError(t, p.Stop())
			l.assertKept(first, second)
			if c.note != "" {
				assert.Contains(t, strings.Join(l.notes(), "\n"), c.note)
			}
			asides, err := filepath.Glob(l.History + ".corrupt-*Z")
			require.NoError(t, err)
			assert.Equal(t, c.lost, len(asides) == 1, "%v", asides)
			t.Logf("heard %s after the tub got warm, %d lines", heard.Round(time.Millisecond), lines)
		})
	}
}

var (
	holdersMu sync.Mutex
	holders   = map[*loft]*sql.Tx{}
)

// hold locks the file as a program does that a keeper has left in the middle of something.
func hold(l *loft) {
	db, err := sql.Open("sqlite", "file:"+l.History+"?_txlock=exclusive")
	require.NoError(l.t, err)
	l.t.Cleanup(func() { _ = db.Close() })
	var tx *sql.Tx
	l.Wait("the file is locked", func() bool {
		tx, err = db.Begin()
		return err == nil
	})
	holdersMu.Lock()
	defer holdersMu.Unlock()
	holders[l] = tx
}

func release(l *loft) {
	holdersMu.Lock()
	defer holdersMu.Unlock()
	require.NoError(l.t, holders[l].Rollback())
}

// freezableCard puts the history on a file system of its own that can be frozen, where one may be mounted: from then on no call
// that writes to it returns until it is thawed (FIFREEZE of ioctl_fs(2), Linux), as on a card that has died under a controller
// that goes on asking.
func freezableCard(l *loft) {
	image := filepath.Join(l.Folder, "card.ext4")
	require.NoError(l.t, os.WriteFile(image, nil, 0o600))
	require.NoError(l.t, os.Truncate(image, 16<<20))
	for _, command := range [][]string{{"mkfs.ext4", "-q", image}, {"mount", "-o", "loop", image, l.card}} {
		if text, err := exec.Command(command[0], command[1:]...).CombinedOutput(); err != nil {
			l.t.Logf("no file system may be mounted here, the card is locked instead: %s: %v %s", command[0], err, text)
			return
		}
	}
	l.t.Cleanup(func() { assert.NoError(l.t, syscall.Unmount(l.card, syscall.MNT_DETACH)) })
	l.t.Log("the card is an ext4 file system of 16 MiB")
}

// The requests of ioctl_fs(2), from linux/fs.h: _IOWR('X', 119, int) and _IOWR('X', 120, int).
const (
	fiFreeze = 0xc0045877
	fiThaw   = 0xc0045878
)

func onCard(l *loft, request uint) error {
	folder, err := os.Open(l.card)
	if err != nil {
		return err
	}
	defer folder.Close()
	return unix.IoctlSetInt(int(folder.Fd()), request, 0)
}

func isMounted(l *loft) bool {
	var card, above unix.Stat_t
	require.NoError(l.t, unix.Stat(l.card, &card))
	require.NoError(l.t, unix.Stat(l.Folder, &above))
	return card.Dev != above.Dev
}

// freeze freezes the card between two writes: in the middle of one the whole program may stand still, because SQLite then touches
// memory that the card backs. Subscribers learn it from the last will.
func freeze(l *loft, p *harness.Process) {
	if !isMounted(l) {
		hold(l)
		return
	}
	written := func() int { return strings.Count(p.Log(), "readings are written") }
	before := written()
	for end := time.Now().Add(time.Minute); written() == before && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	require.NoError(l.t, onCard(l, fiFreeze))
	l.t.Cleanup(func() { _ = onCard(l, fiThaw) }) // before the program is waited for
}

// browse opens twenty pages that read the history. Each of them is answered, be it with a failure, and the program goes on.
func (l *loft) browse() {
	l.t.Helper()
	const asked = "point=tub-1/water-temperature&from=2026-07-14T13:00:00Z&to=2026-07-14T14:00:00Z"
	began := time.Now()
	var pages sync.WaitGroup
	for n := range 20 {
		pages.Go(func() {
			_, err := l.Get([]string{"/api/journal", "/api/exposure?" + asked, "/api/trend?" + asked, "/"}[n%4])
			if err != nil {
				assert.Contains(l.t, err.Error(), "Service Unavailable")
			}
		})
	}
	pages.Wait()
	l.t.Logf("twenty pages were answered within %s", time.Since(began).Round(time.Millisecond))
	_, err := l.Get("/api/now")
	require.NoError(l.t, err)
}

func thaw(l *loft) {
	if !isMounted(l) {
		release(l)
		return
	}
	require.NoError(l.t, onCard(l, fiThaw))
}

// Alarms that wait for a far side, and are in a file that cannot be read any more when it comes back, go out all the same, in order.
func TestWhatWaitsDoesNotWaitForTheCard(t *testing.T) {
	t.Parallel()
	l := newLoft(t, harness.Options{Pace: 60})
	freezableCard(l)
	p := l.Start()
	l.hook.Answer(503)
	l.Probe(1).Show(26)
	l.Wait("the first tub is an alarm", func() bool { return l.Letter(heat) == "B" })
	freeze(l, p)
	l.Probe(2).Show(26)
	l.Wait("the second tub is an alarm", func() bool { return l.Letter(heat2) == "B" })
	assert.Empty(t, l.hook.Taken())
	l.hook.Answer(0)
	for _, alarm := range []string{heat, heat2} {
		l.Wait(alarm+" is heard by the webhook", func() bool { return l.hook.Received(alarm) })
	}
	var tubs []string
	for _, id := range l.hook.Taken() {
		if id == l.hook.About(heat)[0] || id == l.hook.About(heat2)[0] {
			tubs = append(tubs, id)
		}
	}
	assert.Equal(t, []string{l.hook.About(heat)[0], l.hook.About(heat2)[0]}, tubs, "in order")
	thaw(l)
	l.Wait("the fault is over, without a restart", func() bool { return l.Letter(fault) != "B" })
	require.NoError(t, p.Stop())
}

// What a daemon finds when it starts.
func TestFoundAtStart(t *testing.T) {
	for name, c := range map[string]struct {
		prepare func(l *loft)
		aside   bool   // set aside, and a new one begun
		says    string // in the note, or in the fault where the file is not used
		refused bool   // the file is left alone
	}{
		"pages damaged": {
			prepare: func(l *loft) {
				l.past()
				overwrite(l.t, l.History, 300, 700)
			},
			aside: true, says: "was set aside as ",
		},
		"first page lost": {
			prepare: func(l *loft) {
				l.past()
				loseBlock(l.t, l.History, 4<<10)
			},
			aside: true, says: "taken over from the old one: 2000 journal entries",
		},
		"log damaged": {
			prepare: func(l *loft) {
				l.past()
				require.NoError(l.t, os.WriteFile(l.History+"-wal", bytes.Repeat([]byte("nonsense"), 4096), 0o600))
			},
			says: "-wal was damaged: what was written last to the history, minutes or hours of it, is lost. It was set aside as ",
		},
		"of a newer program": {
			prepare: func(l *loft) {
				l.past()
				db, err := sql.Open("sqlite", l.History)
				require.NoError(l.t, err)
				_, err = db.Exec("PRAGMA user_version = 99")
				require.NoError(l.t, err)
				require.NoError(l.t, db.Close())
			},
			says: "was written by a newer dewline", refused: true,
		},
		"of another program": {
			prepare: func(l *loft) {
				require.NoError(l.t, os.WriteFile(l.History, []byte(strings.Repeat("notes on tub-1\n", 20)), 0o600))
			},
			says: "is not a history of dewline", refused: true,
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l := newLoft(t, harness.Options{})
			c.prepare(l)
			before, err := os.ReadFile(l.History)
			require.NoError(t, err)
			p := l.Start()
			l.Probe(1).Show(26)
			first := l.waitReported(heat)
			l.Wait("the fault is an alarm", func() bool { return l.Letter(fault) == "B" || l.Letter(fault) == "D" })
			assert.Contains(t, p.Log(), c.says)
			if c.refused {
				l.Wait("health reports it", func() bool { return strings.Contains(l.health(), c.says) })
				require.NoError(t, p.Stop())
				after, err := os.ReadFile(l.History)
				require.NoError(t, err)
				assert.Equal(t, before, after, "left alone")
				return
			}
			l.Wait("the fault is over", func() bool { return l.Letter(fault) == "D" })
			p.Kill()
			p = l.Start()
			assert.Equal(t, first, l.Alarm(heat).Occurrence)
			require.NoError(t, p.Stop())
			assert.Contains(t, strings.Join(l.notes(), "\n"), c.says)
			asides, err := filepath.Glob(l.History + ".corrupt-*")
			require.NoError(t, err)
			assert.NotEmpty(t, asides)
			if c.aside {
				after, err := os.ReadFile(asides[0])
				require.NoError(t, err)
				assert.Equal(t, before, after, "the damaged file is kept as it was")
			}
		})
	}
}

// The folder may not be written from the start: by another user than root, whom nothing stops.
func TestFolderThatMayNotBeWritten(t *testing.T) {
	t.Parallel()
	l := newLoft(t, harness.Options{})
	if os.Geteuid() == 0 {
		l.As(65534) // an unprivileged user
	}
	require.NoError(t, os.Chmod(l.card, 0o555))
	t.Cleanup(func() { _ = os.Chmod(l.card, 0o755) })
	p := l.Start()
	l.Probe(1).Show(26)
	first := l.waitReported(heat)
	l.Wait("the fault is an alarm", func() bool { return l.Letter(fault) == "B" })
	l.Wait("health reports it", func() bool { return strings.Contains(l.health(), "cannot be written: check its permissions") })
	require.NoError(t, os.Chmod(l.card, 0o777))
	l.Wait("the fault is over, without a restart", func() bool { return l.Letter(fault) == "D" })
	p.Kill()
	p = l.Start()
	assert.Equal(t, first, l.Alarm(heat).Occurrence)
	require.NoError(t, p.Stop())
	raised := 0
	for _, e := range l.entries(heat) {
		if e.Kind == journal.AlarmRaised {
			raised++
		}
	}
	assert.Equal(t, 1, raised)
}

// The history may be read and not written from the start, as a backup that another user put back. What happens until that is put
// right is written then, without a restart.
func TestHistoryThatMayOnlyBeRead(t *testing.T) {
	t.Parallel()
	l := newLoft(t, harness.Options{})
	l.past()
	require.NoError(t, os.Chmod(l.card, 0o777))
	if os.Geteuid() == 0 {
		l.As(65534) // another user, whom the permissions stop
	}
	require.NoError(t, os.Chmod(l.History, 0o444))
	p := l.Start()
	l.Probe(1).Show(26)
	first := l.waitReported(heat)
	text, err := exec.Command(harness.Binary(t), "alarm", "acknowledge", "--socket", l.Socket, heat).CombinedOutput()
	require.NoError(t, err, string(text))
	l.Wait("the alarm is acknowledged", func() bool { return l.Letter(heat) == "C" })
	l.Wait("the fault is an alarm", func() bool { return l.Letter(fault) == "B" })
	l.Wait("health reports it", func() bool { return strings.Contains(l.health(), "cannot be written: check its permissions") })
	repaired := instant.Of(l.Now())
	require.NoError(t, os.Chmod(l.History, 0o666))
	l.Wait("the fault is over, without a restart", func() bool { return l.Letter(fault) == "D" })
	p.Kill()
	p = l.Start()
	assert.Equal(t, first, l.Alarm(heat).Occurrence)
	assert.Equal(t, "C", l.Letter(heat), "the acknowledgement is not lost")
	require.NoError(t, p.Stop())
	var kinds []journal.Kind
	for _, e := range l.entries(heat) {
		kinds = append(kinds, e.Kind)
	}
	assert.Equal(t, []journal.Kind{journal.AlarmAcknowledged, journal.AlarmRaised}, kinds)
	db, err := store.Open(l.History, store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer db.Close(t.Context())
	for s, err := range db.Readings(t.Context(), quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}, 0, 0) {
		require.NoError(t, err)
		assert.Less(t, s.At, repaired, "what was read before the repair")
		return
	}
	assert.Fail(t, "no reading was kept")
}
