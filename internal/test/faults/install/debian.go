package main

import (
	"context"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
)

// everywhere is what every installation of Debian on a board has beside the smallest one, and what the README relies on.
const everywhere = "systemd,systemd-sysv,sudo,tzdata,ca-certificates"

// debian makes a minimal Debian of this machine's release, from the mirror that apt uses here.
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
			return command(ctx, "debootstrap", "--variant=minbase", "--include="+everywhere, name, root, mirror)
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

// command runs a program to its end. The error has the end of what it printed.
func command(ctx context.Context, name string, args ...string) error {
	output, err := exec.CommandContext(ctx, name, args...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("%s: %w\n%s", name, err, output[max(0, len(output)-4000):])
	}
	return nil
}

// outputOf is what a program prints.
func outputOf(ctx context.Context, name string, args ...string) (string, error) {
	output, err := exec.CommandContext(ctx, name, args...).Output()
	return string(output), err
}
