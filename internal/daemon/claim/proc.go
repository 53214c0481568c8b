package claim

import (
	"fmt"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/prometheus/procfs"
)

// holderOf returns what the kernel shows of a process (proc(5)). It may hide all but the number.
func holderOf(pid int) *Holder {
	h := &Holder{PID: pid}
	process, err := procfs.NewProc(pid)
	if pid == 0 || err != nil {
		return h
	}
	if line, err := process.CmdLine(); err == nil {
		h.Line = printable(strings.Join(line, " "))
		if before, config, ok := strings.Cut(h.Line, " --config "); ok && strings.Contains(before, "dewline") {
			h.Config, _, _ = strings.Cut(config, " ")
		}
	}
	if stat, err := process.Stat(); err == nil {
		if began, err := stat.StartTime(); err == nil {
			h.Since = time.Unix(int64(began), 0)
		}
	}
	return h
}

// printable makes a command line, which its process may have written itself, fit for a message.
func printable(line string) string {
	const maxLine = 120
	clean := strings.Map(func(r rune) rune {
		if strconv.IsPrint(r) {
			return r
		}
		return '?'
	}, line)
	if runes := []rune(clean); len(runes) > maxLine {
		return string(runes[:maxLine]) + "…"
	}
	return clean
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
	proc, err := procfs.NewDefaultFS()
	if err != nil {
		return 0
	}
	const listening = 0x0A // TCP_LISTEN
	var sockets []string
	for _, table := range []func() (procfs.NetTCP, error){proc.NetTCP, proc.NetTCP6} {
		lines, _ := table() // without IPv6 there is no second one
		for _, l := range lines {
			if l.St == listening && l.LocalPort == port {
				sockets = append(sockets, fmt.Sprintf("socket:[%d]", l.Inode))
			}
		}
	}
	processes, _ := proc.AllProcs()
	for _, process := range processes {
		files, _ := process.FileDescriptorTargets() // only root sees those of others
		if slices.ContainsFunc(files, func(file string) bool { return slices.Contains(sockets, file) }) {
			return process.PID
		}
	}
	return 0
}
