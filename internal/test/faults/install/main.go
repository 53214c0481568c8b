// Install takes the Debian package through its life in a throw-away Debian with a systemd of its own (systemd-nspawn): installed,
// started without a configuration, configured by the words of the README, a probe warmed and the push received, reloaded, hung and
// restarted by the watchdog, upgraded, removed, purged. What the guest does is in guest.sh.
//
//	make trial
//
// It needs root, debootstrap and systemd-container. The Debian comes from the mirror that apt uses on this machine.
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
	"path/filepath"
	"strings"
	"time"
)

//go:embed guest.sh
var guest string

// unit starts the trial as soon as the guest is up.
const unit = `[Unit]
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
	packages := flag.String("packages", "dist", "the folder of the packages; the one of the previous version in previous/ below it")
	patience := flag.Duration("patience", 15*time.Minute, "how long all of it may take")
	flag.Parse()
	ctx, cancel := context.WithTimeout(context.Background(), *patience)
	defer cancel()
	if err := run(ctx, *base, *packages); err != nil {
		fmt.Fprintln(os.Stderr, "install:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, base, packages string) (err error) {
	folder, err := os.MkdirTemp("", "dewline-install-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	root, trial := filepath.Join(folder, "root"), filepath.Join(folder, "trial")
	if err := os.Mkdir(trial, 0o755); err != nil {
		return err
	}
	if base != "" {
		err = command(ctx, "cp", "-a", base, root)
	} else {
		err = debian(ctx, root)
	}
	if err != nil {
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
		os.WriteFile(filepath.Join(units, "trial.service"), []byte(unit), 0o644),
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

// debian makes a minimal Debian of this machine's release.
func debian(ctx context.Context, root string) error {
	release, err := exec.CommandContext(ctx, "sh", "-c", `. /etc/os-release; echo "$VERSION_CODENAME"`).Output()
	if err != nil {
		return err
	}
	name := strings.TrimSpace(string(release))
	targets, err := exec.CommandContext(ctx, "apt-get", "indextargets", "--format", "$(CODENAME) $(COMPONENT) $(SITE)", "Identifier: Packages").Output()
	if err != nil {
		return fmt.Errorf("asking apt for its mirror: %w", err)
	}
	for line := range strings.Lines(string(targets)) {
		if mirror, ok := strings.CutPrefix(strings.TrimSpace(line), name+" main "); ok {
			return command(ctx, "debootstrap", "--variant=minbase", "--include=systemd,systemd-sysv", name, root, mirror)
		}
	}
	return fmt.Errorf("apt knows no mirror of %s main: apt-get update", name)
}

func architecture() string {
	output, err := exec.Command("dpkg", "--print-architecture").Output()
	if err != nil {
		return "amd64"
	}
	return strings.TrimSpace(string(output))
}

func one(pattern string) (string, error) {
	found, err := filepath.Glob(pattern)
	if err == nil && len(found) != 1 {
		err = fmt.Errorf("%d packages %s instead of one: make packages", len(found), pattern)
	}
	if err != nil {
		return "", err
	}
	return found[0], nil
}

func command(ctx context.Context, name string, args ...string) error {
	output, err := exec.CommandContext(ctx, name, args...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("%s: %w\n%s", name, err, output[max(0, len(output)-4000):])
	}
	return nil
}
