// Board takes the ARMv6 program through a keeper's first days on an emulated board with a real kernel and real buses: parts found,
// configured, watched, warmed and cooled, pulled off and put back, a clock that begins in 1970, and the power cut in the middle of
// writing, after which the board starts again from the same card.
//
//	make board
//
// The machine is a Versatile Express of QEMU with the kernel of Debian's armmp flavour: a slow bus that the kernel drives pin by
// pin (i2c-versatile), a second one that does not work, thermometers TMP105, of which dewline reads one itself and the kernel's
// driver lm75 another, and two of one address behind a multiplexer PCA9548A. What the board does is in package guest, and what it
// cannot do to itself it asks for on its console. Neither root nor KVM is needed. Where it differs from a keeper's board: the emulator
// has no model of a DS18B20 or an SHT4x, so that both are proved by recordings and simulated parts only; it lets no part be
// removed from an I²C bus, so that a part that is pulled off goes on at another address; and its card loses nothing that was written.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"time"
)

func main() {
	kernel := flag.String("kernel", "dist/board/kernel", "the unpacked package of the kernel")
	program := flag.String("program", "dist/armhf/dewline", "the program for the board: make boards")
	measure := flag.Bool("measure", false, "instead, measure what the program needs on the board")
	patience := flag.Duration("patience", 20*time.Minute, "how long all of it may take")
	flag.Parse()
	ctx, cancel := context.WithTimeout(context.Background(), *patience)
	defer cancel()
	if err := run(ctx, *kernel, *program, *measure); err != nil {
		fmt.Fprintln(os.Stderr, "board:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, kernel, program string, measure bool) error {
	folder, err := os.MkdirTemp("", "dewline-board-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder)
	b := board{kernel: kernel, archive: filepath.Join(folder, "files.cpio"), card: filepath.Join(folder, "card.img"), folder: folder}
	if err := pack(ctx, kernel, program, folder, b.archive); err != nil {
		return err
	}
	if err := command(ctx, "/sbin/mkfs.ext4", "-q", b.card, "64M"); err != nil {
		return err
	}
	if measure {
		whole, err := b.live(ctx, "measure", parts(6, 3))
		return errors.Join(err, passed(whole))
	}
	first, err := b.live(ctx, "first", parts(2, 1))
	if err != nil {
		return err
	}
	if !first.cut {
		return fmt.Errorf("the first life ended before the power was cut: %w", passed(first))
	}
	second, err := b.live(ctx, "second", parts(2, 1))
	if err := errors.Join(err, passed(second)); err != nil {
		return err
	}
	history := filepath.Join(folder, "history.db")
	if err := command(ctx, "/sbin/debugfs", "-R", "dump /history.db "+history, b.card); err != nil {
		return err
	}
	return judge(ctx, history, first.console)
}

// passed returns nil where the board says of itself that all went well.
func passed(l life) error {
	if slices.Contains(l.console, "passed") {
		return nil
	}
	return errors.New("the board did not pass, see its console above")
}

func command(ctx context.Context, name string, args ...string) error {
	if output, err := exec.CommandContext(ctx, name, args...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w\n%s", name, err, output)
	}
	return nil
}
