package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

// answerer is a process that keeps readings and answers questions about them: this program with the history of dewline, sqlite3 with plain
// rows, or the engine of Prometheus with its own TSDB. Each is a process of its own, so that its processor time, what it writes and its
// memory can be read.
type answerer struct {
	path    string
	sql     bool
	command *exec.Cmd
	in      *bufio.Writer
	pipe    io.WriteCloser
	out     *bufio.Scanner
}

// open starts one of the three, by name. tsdb is where the program of the folder tsdb is, and hours, if not two, the length of its blocks.
func open(ctx context.Context, name, path, tsdb string, hours ...string) (*answerer, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	command := map[string][]string{"dewline": {self, "answer", path}, "sqlite": {"sqlite3", "-separator", " ", path}, "tsdb": {tsdb, path}}[name]
	if name == "tsdb" {
		command = append(command, hours...)
	}
	a := &answerer{path: path, sql: name == "sqlite", command: exec.CommandContext(ctx, command[0], command[1:]...)}
	a.command.SysProcAttr, a.command.Stderr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}, os.Stderr
	if a.pipe, err = a.command.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := a.command.StdoutPipe()
	if err != nil {
		return nil, err
	}
	a.in, a.out = bufio.NewWriter(a.pipe), bufio.NewScanner(out)
	if err := a.command.Start(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if a.sql {
		fmt.Fprintln(a.in, "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL;")
		_, err = a.line()
	}
	return a, err
}

// begin makes ready for readings.
func (a *answerer) begin() {
	if a.sql {
		fmt.Fprintln(a.in, "CREATE TABLE reading (point INTEGER, at INTEGER, value REAL NOT NULL, PRIMARY KEY (point, at)) WITHOUT ROWID; BEGIN;")
		return
	}
	fmt.Fprintln(a.in, "fill")
}

func (a *answerer) reading(tub int, at time.Time, value float64) {
	if a.sql {
		fmt.Fprintf(a.in, "INSERT INTO reading VALUES (%d, %d, %g);\n", tub, at.UnixMilli(), value)
		return
	}
	fmt.Fprintf(a.in, "tub-%d %d %g\n", tub, at.UnixMilli(), value)
}

func (a *answerer) commit() {
	if a.sql {
		fmt.Fprintln(a.in, "COMMIT; BEGIN;")
		return
	}
	fmt.Fprintln(a.in, ".")
}

// filled ends the readings, and returns when they are on disk.
func (a *answerer) filled() error {
	if a.sql {
		fmt.Fprintln(a.in, "COMMIT; PRAGMA wal_checkpoint(TRUNCATE); SELECT 'filled';")
		if _, err := a.line(); err != nil { // of the checkpoint
			return err
		}
	} else {
		fmt.Fprintln(a.in)
	}
	answer, err := a.line()
	if err == nil && answer != "filled" {
		err = fmt.Errorf("%s: %s", a.command.Path, answer)
	}
	return err
}

func (a *answerer) ask(question string) (string, error) {
	fmt.Fprintln(a.in, question)
	return a.line()
}

func (a *answerer) line() (string, error) {
	if err := a.in.Flush(); err != nil {
		return "", err
	}
	if !a.out.Scan() {
		return "", fmt.Errorf("%s ended without an answer", a.command.Path)
	}
	return a.out.Text(), nil
}

// of reads a number of the process from /proc: a key of a file there, such as wchar of io.
func (a *answerer) of(file, key string) (float64, error) {
	return ofProcess(a.command.Process.Pid, file, key)
}

func ofProcess(pid int, file, key string) (float64, error) {
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), file))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if value, found := strings.CutPrefix(line, key+":"); found {
			return strconv.ParseFloat(strings.Fields(value)[0], 64)
		}
	}
	return 0, fmt.Errorf("/proc/%d/%s has no %s", pid, file, key)
}

func (a *answerer) close() error {
	if err := a.pipe.Close(); err != nil {
		return err
	}
	return a.command.Wait()
}

// bytes is what the readings take on disk: blocks of a TSDB without the log of what is not in one yet.
func (a *answerer) bytes() float64 {
	var sum float64
	_ = filepath.WalkDir(a.path, func(path string, entry os.DirEntry, err error) error { // what cannot be read has no size
		if err != nil || entry.IsDir() && (entry.Name() == "wal" || entry.Name() == "chunks_head") {
			return filepath.SkipDir
		}
		if info, err := entry.Info(); err == nil && !entry.IsDir() {
			sum += float64(info.Size())
		}
		return nil
	})
	return sum
}

// answerFor is this program as the answerer of dewline's own history.
func answerFor(ctx context.Context, path string) error {
	db, err := store.Open(path, store.Options{})
	if err != nil {
		return err
	}
	in := bufio.NewScanner(os.Stdin)
	for in.Scan() {
		question := strings.Fields(in.Text())
		switch question[0] {
		case "fill":
			if err := fillHistory(ctx, db, in); err != nil {
				return err
			}
			fmt.Println("filled")
		case "columns":
			var numbers [3]int64
			for i := range numbers {
				if numbers[i], err = strconv.ParseInt(question[i+1], 10, 64); err != nil {
					return err
				}
			}
			began := spent(syscall.RUSAGE_SELF)
			columns, err := db.Columns(ctx, point(1), instant.Of(time.UnixMilli(numbers[0])), instant.Of(time.UnixMilli(numbers[1])), int(numbers[2]))
			if err != nil {
				return err
			}
			fmt.Println(len(columns), (spent(syscall.RUSAGE_SELF) - began).Seconds())
		}
	}
	return db.Close(ctx)
}

func fillHistory(ctx context.Context, db *store.Store, in *bufio.Scanner) error {
	points := map[string]quantity.Point{}
	for in.Scan() && in.Text() != "" {
		if in.Text() == "." {
			if err := db.Commit(ctx); err != nil {
				return err
			}
			continue
		}
		fields := strings.Fields(in.Text())
		at, err := strconv.ParseInt(fields[1], 10, 64)
		if err != nil {
			return err
		}
		value, err := strconv.ParseFloat(fields[2], 64)
		if err != nil {
			return err
		}
		if _, known := points[fields[0]]; !known {
			points[fields[0]] = quantity.Point{Place: fields[0], Quantity: quantity.WaterTemperature}
		}
		db.Append("run", points[fields[0]], instant.Of(time.UnixMilli(at)), value, quantity.Pass, 0.0625)
	}
	return db.Commit(ctx)
}

func point(tub int) quantity.Point {
	return quantity.Point{Place: fmt.Sprintf("tub-%d", tub), Quantity: quantity.WaterTemperature}
}
