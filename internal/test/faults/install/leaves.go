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
		if target, gone := os.Readlink(link); gone == nil && strings.HasPrefix(target, folder) {
			err = errors.Join(err, fmt.Errorf("process %s still runs in %s", filepath.Base(filepath.Dir(link)), target))
		}
	}
	mounts, unreadable := os.ReadFile("/proc/self/mountinfo")
	for line := range strings.Lines(string(mounts)) {
		if strings.Contains(line, " "+folder) {
			err = errors.Join(err, fmt.Errorf("still mounted: %s", strings.TrimSpace(line)))
		}
	}
	return errors.Join(err, unreadable)
}
