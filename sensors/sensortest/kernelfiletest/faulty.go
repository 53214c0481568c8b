// Package kernelfiletest breaks kernel files, for tests of drivers that read them.
//
//	files := kernelfiletest.New(kernelfile.Dir("../../testdata/sys/north-loft"))
//	files.Next("bus/w1/devices/28-00000b3c5d1e/w1_slave", kernelfiletest.Answer{Err: syscall.EIO})
//	sensor, err := w1.New(w1.Options{ROM: "28-00000b3c5d1e", Files: files})
//
// Faults last until [Faulty.Heal], except those of [Faulty.Next] and [Faulty.FailAt], which act once. A blocked call waits
// on a channel and a slow one on a timer, so that both work in a bubble of testing/synctest.
package kernelfiletest

import (
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/sensors/kernelfile"
)

// Copy copies a tree into a folder that the test may change, and returns that folder.
func Copy(tb testing.TB, tree string) string {
	tb.Helper()
	to := tb.TempDir()
	if err := os.CopyFS(to, os.DirFS(tree)); err != nil {
		tb.Fatal(err)
	}
	return to
}

// Answer is what reading a file gives: Text, or Err instead.
type Answer struct {
	Text string
	Err  error
}

// Faulty is a tree of kernel files that can be broken. All methods may be called from several goroutines.
type Faulty struct {
	below kernelfile.Files

	mu     sync.Mutex
	next   map[string][]Answer
	always map[string]Answer
	alter  map[string]func(string) string
	gone   []string
	hang   chan struct{} // while not nil, calls wait for it to be closed
	delay  time.Duration
	failAt int // this many calls from now
	fail   error
	calls  map[string]int
	wrote  map[string]string
}

var _ kernelfile.Files = (*Faulty)(nil)

// New returns a healthy tree on top of another, which it never changes: what is written is kept in memory.
func New(below kernelfile.Files) *Faulty {
	f := &Faulty{below: below, calls: map[string]int{}, wrote: map[string]string{}}
	f.heal()
	return f
}

// Next makes the following reads of a file give these answers, one each, and the truth again after them.
func (f *Faulty) Next(name string, answers ...Answer) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.next[name] = append(f.next[name], answers...)
}

// Always makes every read of a file give this answer.
func (f *Faulty) Always(name string, answer Answer) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.always[name] = answer
}

// Alter makes every read of a file give what change makes of the truth.
func (f *Faulty) Alter(name string, change func(text string) string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.alter[name] = change
}

// Unplug takes away a folder or file, and all below it.
func (f *Faulty) Unplug(name string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.gone = append(f.gone, name)
}

// Hang makes every call block.
func (f *Faulty) Hang() {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.hang == nil {
		f.hang = make(chan struct{})
	}
}

// Delay makes every call take that much longer.
func (f *Faulty) Delay(d time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.delay = d
}

// FailAt makes the n-th call from now (1 is the next) fail with err.
func (f *Faulty) FailAt(n int, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.failAt, f.fail = n, err
}

// Heal ends all faults and lets blocked calls go.
func (f *Faulty) Heal() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.heal()
}

func (f *Faulty) heal() {
	f.next, f.always = map[string][]Answer{}, map[string]Answer{}
	f.alter, f.gone = map[string]func(string) string{}, nil
	f.delay, f.failAt, f.fail = 0, 0, nil
	if f.hang != nil {
		close(f.hang)
		f.hang = nil
	}
}

// Reads returns how often a file was read.
func (f *Faulty) Reads(name string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.calls[name]
}

// Calls returns how many calls of any kind there were.
func (f *Faulty) Calls() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.calls[""]
}

// enter counts a call, waits as long as it has to, and returns the error that it must give.
func (f *Faulty) enter(op, name string) error {
	f.mu.Lock()
	f.calls[""]++
	hang, delay := f.hang, f.delay
	var err error
	if f.failAt > 0 {
		if f.failAt--; f.failAt == 0 {
			err = &fs.PathError{Op: op, Path: name, Err: f.fail}
		}
	}
	f.mu.Unlock()
	if hang != nil {
		<-hang
	}
	if delay > 0 {
		time.Sleep(delay)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if err == nil && f.isGone(name) {
		err = &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
	}
	return err
}

func (f *Faulty) isGone(name string) bool {
	return slices.ContainsFunc(f.gone, func(gone string) bool { return name == gone || strings.HasPrefix(name, gone+"/") })
}

// ReadFile is [kernelfile.Files.ReadFile] with its faults.
func (f *Faulty) ReadFile(name string) ([]byte, error) {
	if err := f.enter("read", name); err != nil {
		return nil, err
	}
	f.mu.Lock()
	f.calls[name]++
	answer, faked := f.always[name]
	if queue := f.next[name]; len(queue) > 0 {
		answer, faked = queue[0], true
		f.next[name] = queue[1:]
	}
	change := f.alter[name]
	written, isWritten := f.wrote[name]
	f.mu.Unlock()
	if faked {
		if answer.Err != nil {
			return nil, &fs.PathError{Op: "read", Path: name, Err: answer.Err}
		}
		return []byte(answer.Text), nil
	}
	if isWritten {
		return []byte(written), nil
	}
	text, err := f.below.ReadFile(name)
	if err == nil && change != nil {
		text = []byte(change(string(text)))
	}
	return text, err
}

// WriteFile is [kernelfile.Files.WriteFile] with its faults. An Err given by [Faulty.Always] stops it too. The tree below
// stays as it is.
func (f *Faulty) WriteFile(name string, data []byte) error {
	if err := f.enter("write", name); err != nil {
		return err
	}
	if _, err := f.below.ReadFile(name); err != nil {
		return err // a kernel file is never created
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if answer := f.always[name]; answer.Err != nil {
		return &fs.PathError{Op: "write", Path: name, Err: answer.Err}
	}
	f.wrote[name] = string(data)
	return nil
}

// ReadDir is [kernelfile.Files.ReadDir] with its faults.
func (f *Faulty) ReadDir(name string) ([]string, error) {
	if err := f.enter("readdir", name); err != nil {
		return nil, err
	}
	names, err := f.below.ReadDir(name)
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.DeleteFunc(names, func(base string) bool { return f.isGone(path.Join(name, base)) }), err
}

// ReadLink is [kernelfile.Files.ReadLink] with its faults.
func (f *Faulty) ReadLink(name string) (string, error) {
	if err := f.enter("readlink", name); err != nil {
		return "", err
	}
	return f.below.ReadLink(name)
}
