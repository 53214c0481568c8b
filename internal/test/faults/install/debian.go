package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
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
	if err := mayChroot(ctx, filepath.Dir(root)); err != nil {
		return err
	}
	targets, err := exec.CommandContext(ctx, "apt-get", "indextargets", "--format", "$(CODENAME) $(COMPONENT) $(SITE)", "Identifier: Packages").Output()
	if err != nil {
		return fmt.Errorf("asking apt for its mirror: %w", err)
	}
	mirror, err := mirrorOf(string(targets), name)
	if err != nil {
		return err
	}
	return command(ctx, "debootstrap", "--variant=minbase", "--include="+everywhere, name, root, mirror)
}

// mirrorOf picks the mirror of a release from lines of release, component and address.
func mirrorOf(targets, release string) (mirror string, err error) {
	for line := range strings.Lines(targets) {
		if mirror, ok := strings.CutPrefix(strings.TrimSpace(line), release+" main "); ok {
			return mirror, nil
		}
	}
	return "", fmt.Errorf("apt knows no mirror of %s main: apt-get update", release)
}

// mayChroot returns which right is missing for a Debian below a folder: to change the root folder, and to make devices that work. No
// more is needed, in particular no mount.
func mayChroot(ctx context.Context, folder string) error {
	if os.Geteuid() != 0 {
		return errors.New("a Debian is made by root only: run this as root, or with sudo")
	}
	if err := command(ctx, "chroot", "/", "/bin/true"); err != nil {
		return fmt.Errorf("this machine does not let root change its root folder (CAP_SYS_CHROOT): %w", err)
	}
	device := filepath.Join(folder, "null")
	err := unix.Mknod(device, unix.S_IFCHR|0o600, int(unix.Mkdev(1, 3)))
	if err == nil {
		err = errors.Join(os.WriteFile(device, []byte("x"), 0), os.Remove(device))
	}
	if err != nil {
		return fmt.Errorf("no devices can be made and used in %s (CAP_MKNOD; a file system without nodev): %w", folder, err)
	}
	return nil
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
