package metrics

import (
	"os"
	"runtime/metrics"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// What the process says of itself has the names that the client library of Prometheus gives it, so that common rules and boards fit.
var (
	goroutines    = gauge("go_goroutines", "", "Goroutines at this moment.")
	heapAllocated = gauge("go_memstats_heap_alloc_bytes", "bytes", "The heap, with the garbage that is not collected yet.")
	// The heap as it is at a moment holds garbage too, by chance up to as much as there is alive. Whether memory grows shows in what the
	// last collection left.
	heapLive     = gauge("go_gc_heap_live_bytes", "bytes", "What the last collection found in use.")
	processor    = counter("process_cpu_seconds_total", "seconds", "Processor time of this process and of the system for it.")
	resident     = gauge("process_resident_memory_bytes", "bytes", "Memory of this process that is in RAM.")
	virtual      = gauge("process_virtual_memory_bytes", "bytes", "Address space of this process.")
	filesOpen    = gauge("process_open_fds", "", "Files and sockets that are open.")
	filesAtMost  = gauge("process_max_fds", "", "How many files and sockets may be open at once.")
	processStart = gauge("process_start_time_seconds", "seconds", "When this process began, as a Unix time.")
)

// ofRuntime are the figures of Go's runtime.
var ofRuntime = map[string]*family{
	"/sched/goroutines:goroutines":       goroutines,
	"/memory/classes/heap/objects:bytes": heapAllocated,
	"/gc/heap/live:bytes":                heapLive,
}

// collectProcess sends what runtime and kernel know of this process. What they do not say is absent.
func collectProcess(send sender) {
	for name, of := range ofRuntime {
		value := []metrics.Sample{{Name: name}}
		if metrics.Read(value); value[0].Value.Kind() == metrics.KindUint64 {
			send(of, float64(value[0].Value.Uint64()))
		}
	}
	var used unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &used) == nil {
		send(processor, time.Duration(used.Utime.Nano()+used.Stime.Nano()).Seconds())
	}
	if statm, err := os.ReadFile("/proc/self/statm"); err == nil { // proc(5): virtual and resident size first, in pages
		sizes := []*family{virtual, resident}
		for i, pages := range strings.Fields(string(statm)) {
			if i >= len(sizes) {
				break
			}
			if n, err := strconv.ParseUint(pages, 10, 64); err == nil {
				send(sizes[i], float64(n)*float64(os.Getpagesize()))
			}
		}
	}
	if open, err := os.ReadDir("/proc/self/fd"); err == nil {
		send(filesOpen, float64(len(open)-1)) // one of them reads the folder
	}
	var files unix.Rlimit
	if unix.Getrlimit(unix.RLIMIT_NOFILE, &files) == nil {
		send(filesAtMost, float64(files.Cur))
	}
	// By the clock of now, which may have been set since.
	send(processStart, float64(time.Now().Add(-time.Since(begin)).UnixMilli())/1000)
}

// begin is when the program began, but for the few milliseconds before its first lines.
var begin = time.Now()
