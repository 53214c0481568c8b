package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"dewline/internal/test/guest"
)

// prepare makes of a bare kernel what a distribution would: file systems, modules, the card, the loopback interface.
func prepare() error {
	for _, mount := range []struct{ kind, at string }{
		{"proc", "/proc"}, {"sysfs", "/sys"}, {"devtmpfs", "/dev"}, {"tmpfs", "/tmp"}, {"tmpfs", "/run"},
	} {
		if err := errors.Join(os.MkdirAll(mount.at, 0o755), unix.Mount(mount.kind, mount.at, mount.kind, 0, "")); err != nil {
			return fmt.Errorf("mounting %s: %w", mount.at, err)
		}
	}
	modules, err := filepath.Glob("/modules/*.ko")
	if err != nil {
		return err
	}
	for _, path := range modules {
		if err := load(path); err != nil {
			return fmt.Errorf("loading %s: %w", path, err)
		}
	}
	if err := os.MkdirAll("/card", 0o755); err != nil {
		return err
	}
	for _, needed := range []string{"/dev/mmcblk0", "/dev/i2c-0", "/dev/i2c-1"} {
		if err := until(needed+" is there", func() error { _, err := os.Stat(needed); return err }); err != nil {
			return err
		}
	}
	if err := unix.Mount("/dev/mmcblk0", "/card", "ext4", 0, ""); err != nil {
		return fmt.Errorf("mounting the card: %w", err)
	}
	return guest.Loopback()
}

func load(path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	return unix.FinitModule(int(file.Fd()), "", 0)
}

// setClock sets the kernel's clock as a time service does, and says that it is right now. Setting it makes the kernel doubt it
// (adjtimex(2)).
func setClock(to time.Time) error {
	now := unix.NsecToTimespec(to.UnixNano())
	if err := unix.ClockSettime(unix.CLOCK_REALTIME, &now); err != nil {
		return fmt.Errorf("setting the clock: %w", err)
	}
	t := unix.Timex{Modes: unix.ADJ_STATUS | unix.ADJ_MAXERROR | unix.ADJ_ESTERROR}
	_, err := unix.Adjtimex(&t)
	return err
}
