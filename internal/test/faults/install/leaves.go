package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// leaves returns an error for each process that still runs below a folder, and for each file system that is still mounted there.
func leaves(folder string) (err error) {
	roots, globbed := filepath.Glob("/proc/[0-9]*/root")
	if globbed != nil {
		return globbed
	}
	for _, link := range roots {
		if target, gone := os.Readlink(link); gone == nil && below(target, folder) {
			err = errors.Join(err, fmt.Errorf("process %s still runs in %s", filepath.Base(filepath.Dir(link)), target))
		}
	}
	mounts, unreadable := os.ReadFile("/proc/self/mountinfo")
	for _, point := range mountedBelow(string(mounts), folder) {
		err = errors.Join(err, fmt.Errorf("still mounted: %s", point))
	}
	return errors.Join(err, unreadable)
}

// mountedBelow returns the mount points at a folder and below it, by a text such as /proc/self/mountinfo (proc(5), field 5).
func mountedBelow(mountinfo, folder string) (points []string) {
	for line := range strings.Lines(mountinfo) {
		if fields := strings.Fields(line); len(fields) > 4 && below(fields[4], folder) {
			points = append(points, fields[4])
		}
	}
	return points
}

// below reports whether a path is a folder or within it.
func below(path, folder string) bool { return path == folder || strings.HasPrefix(path, folder+"/") }
