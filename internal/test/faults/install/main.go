// Install takes the Debian package through its life in a throw-away Debian with a systemd of its own (systemd-nspawn): installed,
// started without a configuration, configured by the words of the README, a probe warmed and the push received, reloaded, hung and
// restarted by the watchdog, upgraded, removed, purged. What the guest does is in guest.sh.
//
//	make trial
//
// It needs root, debootstrap and systemd-container. The Debian comes from the mirror that apt uses on this machine. With --first-alarm it needs no
// more than chroot(2), and types the commands of the README into a terminal there, up to the first push (firstalarm.go):
//
//	make first-alarm
package main

import (
	"bytes"
	"cmp"
	"context"
	_ "embed"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

//go:embed guest.sh
var guest string

// trialUnit starts the trial as soon as the guest is up.
const trialUnit = `[Unit]
Description=the trial of the package
After=multi-user.target
[Service]
Type=oneshot
ExecStart=/bin/bash /trial/guest.sh
`

func main() {
	if len(os.Args) > 1 && (os.Args[1] == "listen" || os.Args[1] == "warm") {
		if err := help(os.Args[1:]); err != nil {
			fmt.Fprintln(os.Stderr, "helper:", err)
			os.Exit(1)
		}
		return
	}
	base := flag.String("base", "", "a tree of Debian to copy, in place of a new one from the mirror")
	packages := flag.String("packages", "dist", "the folder of the packages; the version before in previous/, the one after in next/ below it")
	patience := flag.Duration("patience", 15*time.Minute, "how long all of it may take")
	first := flag.Bool("first-alarm", false, "by the words of the README alone, in a chroot")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	ctx, cancel := context.WithTimeout(ctx, *patience)
	defer cancel()
	if err := run(ctx, *base, *packages, *first); err != nil {
		fmt.Fprintln(os.Stderr, "install:", err)
		os.Exit(1)
	}
}

// run makes the Debian, tries the package in it, and wants that nothing of it is left on this machine.
func run(ctx context.Context, base, packages string, first bool) (err error) {
	folder, err := os.MkdirTemp("", "dewline-install-")
	if err != nil {
		return err
	}
	defer func() {
		if left := leaves(folder); left != nil { // what is mounted there must not be deleted
			err = errors.Join(err, left, fmt.Errorf("%s is left as it is", folder))
			return
		}
		err = errors.Join(err, os.RemoveAll(folder))
	}()
	root := filepath.Join(folder, "root")
	if base != "" {
		err = command(ctx, "cp", "-a", base, root)
	} else {
		err = debian(ctx, root)
	}
	if err != nil {
		return err
	}
	if first {
		return firstAlarm(ctx, root, packages, "README.md")
	}
	return underSystemd(ctx, root, filepath.Join(folder, "trial"), packages)
}

// underSystemd lets guest.sh try the package in a container that boots.
func underSystemd(ctx context.Context, root, trial, packages string) error {
	if err := os.Mkdir(trial, 0o755); err != nil {
		return err
	}
	program, err := os.Executable()
	if err != nil {
		return err
	}
	newest, err := one(filepath.Join(packages, "dewline_*_"+architecture()+".deb"))
	if err != nil {
		return err
	}
	previous, err := one(filepath.Join(packages, "previous", "dewline_*_"+architecture()+".deb"))
	if err != nil {
		return err
	}
	for _, args := range [][]string{
		{"cp", "-a", "testdata/sys/north-loft", filepath.Join(trial, "sys")},
		{"cp", program, filepath.Join(trial, "helper")},
		{"cp", newest, filepath.Join(trial, "dewline.deb")},
		{"cp", previous, filepath.Join(trial, "previous.deb")},
	} {
		if err := command(ctx, args[0], args[1:]...); err != nil {
			return err
		}
	}
	units := filepath.Join(root, "etc/systemd/system")
	if err := errors.Join(
		os.WriteFile(filepath.Join(trial, "guest.sh"), []byte(guest), 0o755),
		os.WriteFile(filepath.Join(units, "trial.service"), []byte(trialUnit), 0o644),
		os.MkdirAll(filepath.Join(units, "default.target.wants"), 0o755),
		os.Symlink("../trial.service", filepath.Join(units, "default.target.wants", "trial.service")),
	); err != nil {
		return err
	}
	container := exec.CommandContext(ctx, "systemd-nspawn", "--quiet", "--directory="+root, "--register=no", "--keep-unit",
		"--private-network", "--bind="+trial+":/trial", "--machine=dewline-install", "--boot", "--console=pipe")
	var console bytes.Buffer
	container.Stdout, container.Stderr = &console, &console
	started := container.Run() // its own exit says little: the log says how the trial went
	log, err := os.ReadFile(filepath.Join(trial, "log"))
	if err != nil {
		return fmt.Errorf("the guest began nothing (%v): %w; its console:\n%s", started, err, console.String())
	}
	fmt.Print(string(log))
	if !strings.Contains(string(log), "\nall done\n") {
		return fmt.Errorf("the trial failed (%v)", cmp.Or(ctx.Err(), errors.New("see above")))
	}
	return nil
}
