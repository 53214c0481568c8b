package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"
)

const (
	siteConfig = "etc/dewline/site.yaml"
	history    = "var/lib/dewline/history.db"
	probeROM   = "28-00000b3c5d1e"
	// promised is how long it may take from an empty Debian to a push, by the README's words alone.
	promised = 10 * time.Minute
)

// firstAlarm takes the package through its life in a Debian below root, by the commands of the README alone, typed at a terminal: installed,
// configured, started, its probe warmed until the push is at the receiver; then upgraded, removed, purged. It needs no right but chroot:
// no mount, no namespace, no service manager, so that it runs on any machine. /sys of that Debian is a folder with one recorded probe.
func firstAlarm(ctx context.Context, root, packages, readmePath string) (err error) {
	readme, err := os.ReadFile(readmePath)
	if err != nil {
		return err
	}
	commands, err := readmeCommands(string(readme))
	if err != nil {
		return err
	}
	probe, err := plugIn(ctx, root)
	if err != nil {
		return err
	}
	if err := hand(ctx, root, packages); err != nil {
		return err
	}
	pushes := make(chan string, 100)
	phone := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(io.LimitReader(r.Body, 1<<20)) // what was cut off is no push that is waited for
		pushes <- string(body)
	}))
	defer phone.Close()
	var running *service
	defer func() {
		if running != nil {
			err = errors.Join(err, running.stop())
		}
	}()
	begun := time.Now()
	step := func(what string) { fmt.Printf("ok %s after %d s\n\n", what, int(time.Since(begun).Seconds())) }
	soon, cancel := context.WithTimeout(ctx, promised)
	defer cancel()
	for i, line := range commands {
		line = regexp.MustCompile(`_(armhf|arm64|amd64)\.deb`).ReplaceAllString(line, "_"+architecture()+".deb")
		var answers []answer
		switch {
		case strings.HasPrefix(line, "sudo dewline init"):
			if err := refusesWithoutConfiguration(soon, root); err != nil {
				return err
			}
			answers = keeper(phone.URL + "/loft")
		case strings.HasPrefix(line, "sudo dewline alarm list"):
			fmt.Println("the probe is warmed")
			if err := errors.Join(warm(31.5, probe), awaitPush(soon, pushes, "tub-1")); err != nil {
				return fmt.Errorf("%w; the service's log:\n%s", err, running.log.String())
			}
			step("the alarm is at the receiver")
		}
		// What --now asks of a service manager is done below, from the unit.
		screen, err := typed(soon, root, strings.Replace(line, "systemctl enable --now", "systemctl enable", 1), answers...)
		if err != nil {
			return fmt.Errorf("command %d of the README, %s: %w", i+1, line, err)
		}
		switch {
		case strings.HasPrefix(line, "sudo systemctl enable"):
			if _, err := os.Lstat(filepath.Join(root, "etc/systemd/system/multi-user.target.wants/dewline.service")); err != nil {
				return err
			}
			if running, err = startService(soon, root); err != nil {
				return err
			}
		case strings.HasPrefix(line, "sudo dewline alarm test"):
			if err := awaitPush(soon, pushes, "test"); err != nil {
				return err
			}
		case strings.HasPrefix(line, "sudo dewline alarm list") && !strings.Contains(screen, "tub-1/water-temperature/critical-high"):
			return errors.New("the alarm is not in the list")
		}
		step(line)
	}
	if running == nil {
		return errors.New("no command of the README starts the service")
	}
	return life(ctx, root, &running, step)
}

// life upgrades, removes and purges what the README has installed.
func life(ctx context.Context, root string, running **service, step func(string)) error {
	before, err := os.ReadFile(filepath.Join(root, siteConfig))
	if err != nil {
		return err
	}
	stop := func() error {
		s := *running
		*running = nil
		return s.stop()
	}
	if _, err := typed(ctx, root, "sudo apt install ./next/dewline_*.deb"); err != nil {
		return err
	}
	if err := stop(); err != nil {
		return fmt.Errorf("the end of the version before: %w", err)
	}
	if after, err := os.ReadFile(filepath.Join(root, siteConfig)); err != nil || string(after) != string(before) {
		return fmt.Errorf("the upgrade has touched the configuration (%v)", err)
	}
	if *running, err = startService(ctx, root); err != nil {
		return err
	}
	if screen, err := typed(ctx, root, "sudo dewline alarm list"); err != nil || !strings.Contains(screen, "tub-1/water-temperature/critical-high") {
		return fmt.Errorf("the upgrade has lost the alarm (%v)", err)
	}
	if err := stop(); err != nil {
		return fmt.Errorf("the end of the new version: %w", err)
	}
	step("upgraded: configuration, history and alarm as before")

	if _, err := typed(ctx, root, "sudo apt-get remove -y dewline"); err != nil {
		return err
	}
	if err := errors.Join(there(root, true, siteConfig, history),
		there(root, false, "usr/bin/dewline", "usr/share/dewline", "etc/systemd/system/multi-user.target.wants/dewline.service")); err != nil {
		return err
	}
	step("removed: configuration and history stay")

	if _, err := typed(ctx, root, "sudo apt-get purge -y dewline"); err != nil {
		return err
	}
	accounts, err := outputOf(ctx, "chroot", root, "sh", "-c", "getent passwd dewline; getent group dewline; stat -c %U /"+history)
	if err != nil || accounts != "root\n" {
		return fmt.Errorf("after the purge, accounts and owner of the history: %q (%v)", accounts, err)
	}
	if err := there(root, false, "etc/dewline"); err != nil {
		return err
	}
	step("purged: no user, no configuration, the history kept")

	if _, err := typed(ctx, root, "sudo apt install ./dewline_*.deb && sudo DEWLINE_PURGE_HISTORY=yes apt-get purge -y dewline"); err != nil {
		return err
	}
	left, err := outputOf(ctx, "find", root, "-path", root+"/home/keeper", "-prune", "-o", "-name", "*dewline*", "-print")
	if err != nil || left != "" {
		return fmt.Errorf("left behind (%v): %s", err, left)
	}
	step("purged with its history: nothing is left")
	return nil
}

// keeper answers what init asks, for one tub of the North Loft.
func keeper(push string) []answer {
	return []answer{
		{"name for the whole installation", "north-loft"}, {"time zone", "Europe/Lisbon"}, {"degrees", "fahrenheit"}, {"room", ""},
		{"tubs, tanks and vivaria", "tub-1"}, {"Who lives in tub-1", "a-2026"}, {"care profile", "tropical-forest-floor"}, {"stage", "larva"},
		{"push service", push},
	}
}

// plugIn puts one recorded probe below /sys of the Debian, as its kernel would, and returns its folder.
func plugIn(ctx context.Context, root string) (folder string, err error) {
	const master = "devices/w1_bus_master1"
	sys := filepath.Join(root, "sys")
	folder = filepath.Join(sys, master, probeROM)
	return folder, errors.Join(
		os.MkdirAll(filepath.Join(sys, master), 0o755), os.MkdirAll(filepath.Join(sys, "bus/w1/devices"), 0o755),
		command(ctx, "cp", "-a", filepath.Join("testdata/sys/north-loft", master, probeROM), filepath.Join(sys, master)),
		os.Symlink(filepath.Join("../../..", master, probeROM), filepath.Join(sys, "bus/w1/devices", probeROM)))
}

// hand gives the keeper of the Debian the packages.
func hand(ctx context.Context, root, packages string) error {
	home := filepath.Join(root, "home/keeper")
	now, err := one(filepath.Join(packages, "dewline_*_"+architecture()+".deb"))
	if err != nil {
		return err
	}
	next, err := one(filepath.Join(packages, "next", "dewline_*_"+architecture()+".deb"))
	if err != nil {
		return err
	}
	return errors.Join(os.MkdirAll(filepath.Join(home, "next"), 0o755), command(ctx, "cp", now, home), command(ctx, "cp", next, filepath.Join(home, "next")),
		// sudo asks who the machine is, and would make a terminal of its own, for which nothing is mounted.
		os.WriteFile(filepath.Join(root, "etc/hosts"), []byte("127.0.0.1 localhost "+hostname()+"\n"), 0o644),
		os.WriteFile(filepath.Join(root, "etc/sudoers.d/chroot"), []byte("Defaults !use_pty\n"), 0o440))
}

func hostname() string {
	name, err := os.Hostname()
	if err != nil {
		return "board"
	}
	return name
}

// refusesWithoutConfiguration starts the service too early, and wants to read what to do.
func refusesWithoutConfiguration(ctx context.Context, root string) error {
	early, err := startService(ctx, root)
	if err == nil {
		return errors.Join(errors.New("it runs without a configuration"), early.stop())
	}
	if want := "dewline init --config /" + siteConfig + " writes one"; !strings.Contains(err.Error(), want) {
		return fmt.Errorf("without a configuration it does not say %q: %w", want, err)
	}
	return nil
}

// awaitPush waits for a push that contains a text.
func awaitPush(ctx context.Context, pushes <-chan string, text string) error {
	for {
		select {
		case push := <-pushes:
			fmt.Println("push:", push)
			if strings.Contains(push, text) {
				return nil
			}
		case <-ctx.Done():
			return fmt.Errorf("no push with %q: %w", text, ctx.Err())
		}
	}
}

// there checks that files below root are there, or that they are not.
func there(root string, want bool, paths ...string) (err error) {
	for _, path := range paths {
		if _, missing := os.Lstat(filepath.Join(root, path)); (missing == nil) != want {
			err = errors.Join(err, fmt.Errorf("/%s is there: %t instead of %t", path, !want, want))
		}
	}
	return err
}
