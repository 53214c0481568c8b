package claim

import (
	"bufio"
	"bytes"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// holderOf returns what the kernel shows of a process (proc(5)). It may hide all but the number.
func holderOf(pid int) *Holder {
	h := &Holder{PID: pid}
	if pid == 0 {
		return h
	}
	if line, err := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid)); err == nil {
		h.Line = printable(bytes.ReplaceAll(bytes.TrimRight(line, "\x00"), []byte{0}, []byte{' '}))
		if before, config, ok := strings.Cut(h.Line, " --config "); ok && strings.Contains(before, "dewline") {
			h.Config, _, _ = strings.Cut(config, " ")
		}
	}
	h.Since = started(pid)
	return h
}

// printable makes a command line, which its process may have written itself, fit for a message.
func printable(line []byte) string {
	const maxLine = 120
	clean := strings.Map(func(r rune) rune {
		if strconv.IsPrint(r) {
			return r
		}
		return '?'
	}, string(line))
	if runes := []rune(clean); len(runes) > maxLine {
		return string(runes[:maxLine]) + "…"
	}
	return clean
}

// ticksPerSecond is USER_HZ, in which /proc counts: 100 on every architecture that dewline is built for.
const ticksPerSecond = 100

// started returns when a process was started, to a second or so; zero where that is not shown.
func started(pid int) time.Time {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return time.Time{}
	}
	_, after, ok := strings.Cut(string(stat[bytes.LastIndexByte(stat, ')')+1:]), " ") // the name before may hold anything
	fields := strings.Fields(after)
	if !ok || len(fields) < 20 {
		return time.Time{}
	}
	ticks, err := strconv.ParseInt(fields[19], 10, 64) // field 22 of the line
	if err != nil {
		return time.Time{}
	}
	system, err := os.ReadFile("/proc/stat")
	if err != nil {
		return time.Time{}
	}
	for line := range strings.Lines(string(system)) {
		if text, ok := strings.CutPrefix(line, "btime "); ok {
			if boot, err := strconv.ParseInt(strings.TrimSpace(text), 10, 64); err == nil {
				return time.Unix(boot+ticks/ticksPerSecond, 0)
			}
		}
	}
	return time.Time{}
}

// lockOwner returns the process that holds the lock of a file, 0 where it is not shown.
func lockOwner(file *os.File) int {
	info, err := file.Stat()
	if err != nil {
		return 0
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return 0
	}
	locks, err := os.ReadFile("/proc/locks")
	if err != nil {
		return 0
	}
	inode := ":" + strconv.FormatUint(stat.Ino, 10)
	for line := range strings.Lines(string(locks)) {
		// 1: FLOCK  ADVISORY  WRITE 708 08:01:25305 0 EOF
		fields := strings.Fields(line)
		if len(fields) >= 6 && fields[1] == "FLOCK" && strings.HasSuffix(fields[5], inode) {
			pid, _ := strconv.Atoi(fields[4])
			return max(pid, 0)
		}
	}
	return 0
}

// listenerOf returns the process that listens on a port, 0 where it is not shown: only root sees what other users have open.
func listenerOf(address string) int {
	_, text, err := net.SplitHostPort(address)
	if err != nil {
		return 0
	}
	port, err := strconv.ParseUint(text, 10, 16)
	if err != nil {
		return 0
	}
	sockets := map[string]bool{}
	for _, table := range []string{"/proc/net/tcp", "/proc/net/tcp6"} {
		listening(table, fmt.Sprintf(":%04X", port), sockets)
	}
	links, _ := filepath.Glob("/proc/[0-9]*/fd/*") // the pattern is good
	for _, link := range links {
		if to, err := os.Readlink(link); err == nil && sockets[to] {
			pid, _ := strconv.Atoi(strings.Split(link, "/")[2])
			return pid
		}
	}
	return 0
}

// listening gathers the sockets of a table that listen on a port.
func listening(table, port string, into map[string]bool) {
	file, err := os.Open(table)
	if err != nil {
		return
	}
	defer file.Close()
	const listenState = "0A" // TCP_LISTEN
	for lines := bufio.NewScanner(file); lines.Scan(); {
		fields := strings.Fields(lines.Text())
		if len(fields) >= 10 && strings.HasSuffix(fields[1], port) && fields[3] == listenState {
			into["socket:["+fields[9]+"]"] = true
		}
	}
}
