// Machine takes the program through steps of a real kernel's clock, in a machine of its own that is thrown away: the tests of
// package clock govern a clock that replaces the kernel's, and what they cannot show is that the kernel's own behaves as that.
//
//	go run ./internal/test/faults/clock/machine [-kernel /boot/vmlinuz-…]
//
// It needs qemu-system-x86 and a kernel with a serial console and devtmpfs, such as Debian's linux-image-cloud-amd64; neither root nor
// KVM. The machine has no disk: its file system is an archive in memory with three files that count: dewline, built without
// cgo; the recorded kernel tree of the North Loft; and a first process (package guest) that starts dewline in 1970 by an
// unsynchronised clock, sets the clock with clock_settime(2) and adjtimex(2) to a day in 2026, sets it back by 40 minutes,
// starts dewline once more in 1970 and sets the clock again. Then it sends the history file over the serial line, and this program
// judges it: everything that was read is recorded at the time when it was, once, no alarm was raised twice, and its delay was counted
// by the time that really passed.
package main

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"context"
	"encoding/base64"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
	"dewline/internal/test/initramfs"
)

const site = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: tub-1, kind: enclosure, bands: {water-temperature: {high: 10 °C, on-delay: 20s, off-delay: 10s}}}
sensors:
  - {id: probe-1, driver: w1, address: 28-00000b3c5d1e, every: 2s, feeds: {temperature: tub-1/water-temperature}}
web: {listen: "127.0.0.1:8420"}
control: {socket: /house/control.sock}
history: {path: /house/history.db, keep: 2y}
`

func main() {
	kernel := flag.String("kernel", "", "the kernel; the newest of /boot if not given")
	patience := flag.Duration("patience", 10*time.Minute, "how long the machine may take")
	flag.Parse()
	if err := run(*kernel, *patience); err != nil {
		fmt.Fprintln(os.Stderr, "machine:", err)
		os.Exit(1)
	}
}

func run(kernel string, patience time.Duration) error {
	if kernel == "" {
		found, err := filepath.Glob("/boot/vmlinuz-*")
		if err != nil || len(found) == 0 {
			return errors.New("there is no /boot/vmlinuz-*: install linux-image-cloud-amd64, or name a kernel with -kernel")
		}
		kernel = slices.MaxFunc(found, func(a, b string) int { return cmp.Or(cmp.Compare(len(a), len(b)), strings.Compare(a, b)) })
	}
	if _, err := exec.LookPath("qemu-system-x86_64"); err != nil {
		return fmt.Errorf("%w: install qemu-system-x86", err)
	}
	folder, err := os.MkdirTemp("", "dewline-machine-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	archive := filepath.Join(folder, "files.cpio.gz")
	if err := pack(folder, archive); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	console, err := boot(ctx, kernel, archive)
	for line := range strings.Lines(console) {
		if at := strings.Index(line, "guest"); at >= 0 {
			fmt.Print(line[at:])
		}
	}
	if err != nil {
		return fmt.Errorf("%w; the console ends with\n%s", err, console[max(0, len(console)-4000):])
	}
	path := filepath.Join(folder, "history.db")
	if err := unpack(console, path); err != nil {
		return fmt.Errorf("%w; the console ends with\n%s", err, console[max(0, len(console)-4000):])
	}
	return judge(path)
}

// pack makes the machine's file system.
func pack(folder, archive string) error {
	files := fstreeOf(site)
	for name, source := range map[string]string{"init": "./internal/test/faults/clock/machine/guest", "dewline": "./cmd/dewline"} {
		path := filepath.Join(folder, name)
		build := exec.Command("go", "build", "-tags", "harness", "-o", path, source)
		build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=amd64")
		if output, err := build.CombinedOutput(); err != nil {
			return fmt.Errorf("building %s (start this from the root of the checkout): %w\n%s", source, err, output)
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		files = append(files, initramfs.File{Name: name, Mode: initramfs.Program, Data: data})
	}
	const recorded = "testdata/sys/north-loft"
	tree := os.DirFS(recorded)
	err := fs.WalkDir(tree, ".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name := filepath.Join("house/sys", path)
		if entry.IsDir() {
			files = append(files, initramfs.File{Name: name, Mode: initramfs.Folder})
			return nil
		}
		if entry.Type()&fs.ModeSymlink != 0 {
			to, err := os.Readlink(filepath.Join(recorded, path))
			files = append(files, initramfs.File{Name: name, Mode: initramfs.Link, Data: []byte(to)})
			return err
		}
		data, err := fs.ReadFile(tree, path)
		files = append(files, initramfs.File{Name: name, Mode: initramfs.Regular, Data: data})
		return err
	})
	if err != nil {
		return err
	}
	var packed bytes.Buffer
	zip := gzip.NewWriter(&packed)
	if _, err := zip.Write(initramfs.Archive(files)); err != nil {
		return err
	}
	if err := zip.Close(); err != nil {
		return err
	}
	return os.WriteFile(archive, packed.Bytes(), 0o600)
}

// fstreeOf returns the folders of the machine and the configuration.
func fstreeOf(site string) []initramfs.File {
	return []initramfs.File{
		{Name: "house", Mode: initramfs.Folder}, {Name: "house/site.yaml", Mode: initramfs.Regular, Data: []byte(site)},
	}
}

// boot runs the machine, whose own clock begins in 1970, until it switches itself off, and returns what it wrote.
func boot(ctx context.Context, kernel, archive string) (string, error) {
	machine := exec.CommandContext(ctx, "qemu-system-x86_64", "-nodefaults", "-no-reboot", "-display", "none", "-serial", "stdio", "-m", "512",
		"-accel", "tcg", "-cpu", "max", "-rtc", "base=1970-01-01T00:00:30,clock=vm", "-kernel", kernel, "-initrd", archive,
		"-append", "console=ttyS0 quiet panic=-1")
	var console, problems bytes.Buffer
	machine.Stdout, machine.Stderr = &console, &problems
	err := machine.Run()
	if err != nil {
		err = fmt.Errorf("the machine: %w: %s", err, problems.String())
	}
	return console.String(), err
}

func unpack(console, path string) error {
	_, rest, found := strings.Cut(console, "history: ")
	if !found {
		return errors.New("the machine sent no history")
	}
	line, _, _ := strings.Cut(rest, "\n")
	data, err := base64.StdEncoding.DecodeString(strings.TrimSpace(line))
	if err != nil {
		return fmt.Errorf("the history that the machine sent: %w", err)
	}
	return os.WriteFile(path, data, 0o600)
}

// judge looks at what the machine has recorded.
func judge(path string) error {
	ctx := context.Background()
	db, err := store.Open(path, store.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer db.Close(ctx)
	entries, err := db.Journal(ctx, store.Filter{Limit: 1000})
	if err != nil {
		return err
	}
	slices.Reverse(entries)
	var readings []store.Sample
	for s, err := range db.AllReadings(ctx, quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}, instant.None, 0) {
		if err != nil {
			return err
		}
		readings = append(readings, s)
	}
	return errors.Join(judgeEntries(entries), judgeReadings(entries, readings))
}

func judgeEntries(entries []*journal.Entry) error {
	var problems []error
	count := map[journal.Kind]int{}
	for _, e := range entries {
		count[e.Kind]++
		fmt.Printf("journal %2d  %s  %-16s %s%s\n", e.Seq, e.At, e.Kind, e.Alarm, e.Text)
		if year := e.At.Time().Year(); year != 2026 {
			problems = append(problems, fmt.Errorf("entry %d stands in %d", e.Seq, year))
		}
		if e.Kind == journal.AlarmRaised {
			if delay := e.At.Sub(*e.Since); delay < 20*time.Second || delay > 2*time.Minute {
				problems = append(problems, fmt.Errorf("the alarm was raised %s after its beginning", delay))
			}
		}
	}
	for kind, want := range map[journal.Kind]int{
		journal.RunStarted: 2, journal.RunStopped: 2, journal.ClockStepped: 3, journal.ClockConfirmed: 2, journal.AlarmRaised: 1,
	} {
		if count[kind] != want {
			problems = append(problems, fmt.Errorf("%d entries %s instead of %d", count[kind], kind, want))
		}
	}
	return errors.Join(problems...)
}

func judgeReadings(entries []*journal.Entry, readings []store.Sample) error {
	var problems []error
	bySegment := map[int64][]store.Sample{}
	for _, r := range readings {
		bySegment[r.Segment] = append(bySegment[r.Segment], r)
		if r.At.Time().Year() != 2026 {
			problems = append(problems, fmt.Errorf("a reading stands at %s", r.At))
		}
	}
	begun := map[string]instant.Instant{}
	for _, e := range entries {
		if e.Kind == journal.RunStarted {
			begun[e.Run] = e.At
		}
	}
	segments := slices.Sorted(func(yield func(int64) bool) {
		for s := range bySegment {
			if !yield(s) {
				return
			}
		}
	})
	for _, s := range segments {
		list := bySegment[s]
		fmt.Printf("readings    %s to %s: %d\n", list[0].At, list[len(list)-1].At, len(list))
		for i := 1; i < len(list); i++ {
			if d := list[i].At.Sub(list[i-1].At); d < time.Second || d > 20*time.Second {
				problems = append(problems, fmt.Errorf("two readings are %s apart, at %s", d, list[i].At))
			}
		}
	}
	if len(segments) != 5 { // by the wrong clock, by the right one, set back; by the wrong one, by the right one
		problems = append(problems, fmt.Errorf("%d stretches of readings instead of 5", len(segments)))
		return errors.Join(problems...)
	}
	first := func(i int) instant.Instant { return bySegment[segments[i]][0].At }
	last := func(i int) instant.Instant { s := bySegment[segments[i]]; return s[len(s)-1].At }
	for _, c := range []struct {
		what     string
		from, to instant.Instant
		least    time.Duration
		most     time.Duration
	}{
		{"from the last reading before the clock was right to the first after it", last(0), first(1), time.Second, 20 * time.Second},
		{"from the last reading before it was set back to the first after it", last(1), first(2), -40 * time.Minute, -39 * time.Minute},
		{"from the last reading of the first run to the first of the second", last(2), first(3), time.Hour, 5 * time.Hour},
		{"likewise in the second run", last(3), first(4), time.Second, 20 * time.Second},
	} {
		if d := c.to.Sub(c.from); d < c.least || d > c.most {
			problems = append(problems, fmt.Errorf("%s: %s", c.what, d))
		}
	}
	if len(problems) == 0 {
		fmt.Printf("all %d readings stand once, at the time when they were read\n", len(readings))
	}
	return errors.Join(problems...)
}
