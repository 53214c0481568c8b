package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"
)

// board is the emulated board: everything that outlives its power.
type board struct {
	kernel, archive, card, folder string
}

// life is what a board did from being switched on until its power went.
type life struct {
	console []string
	cut     bool // the power was cut when the board asked for it
}

// parts are those on the buses of the board: two on its own, and behind each channel of the multiplexer as many as asked for, all
// from one address on.
func parts(channels, each int) []string {
	list := []string{
		"-device", "tmp105,address=0x49,id=tub-1", "-device", "tmp105,address=0x4a,id=tub-2", "-device", "pca9548,address=0x70,id=mux",
	}
	for i := range channels * each {
		list = append(list, "-device", fmt.Sprintf("tmp105,address=%#02x,bus=i2c.%d,id=tub-%d", 0x4C+i%each, i/each, i+3))
	}
	return list
}

// live switches the board on, does what it asks for, and returns when its power is gone: by itself, or cut. Its clock begins in 1970.
// Its time is that of its own instructions, 8 ns each, so that a busy host makes nothing late on it; where it waits, the time jumps.
func (b board) live(ctx context.Context, part string, parts []string) (life, error) {
	image, err := one(filepath.Join(b.kernel, "boot/vmlinuz-*"))
	if err != nil {
		return life{}, err
	}
	tree, err := one(filepath.Join(b.kernel, "usr/lib/linux-image-*/vexpress-v2p-ca9.dtb"))
	if err != nil {
		return life{}, err
	}
	monitor := filepath.Join(b.folder, part)
	machine := exec.CommandContext(ctx, "qemu-system-arm", append([]string{"-M", "vexpress-a9", "-m", "512", "-nodefaults", "-no-reboot",
		"-display", "none", "-icount", "shift=3,sleep=off", "-serial", "stdio", "-qmp", "unix:" + monitor + ",server,nowait", "-rtc", "base=1970-01-01T00:00:30,clock=vm",
		"-kernel", image, "-dtb", tree, "-initrd", b.archive, "-drive", "if=sd,format=raw,file=" + b.card,
		"-append", "console=ttyAMA0 quiet loglevel=1 panic=-1 -- " + part}, parts...)...)
	machine.Env = append(os.Environ(), "QEMU_AUDIO_DRV=none") // the board has a sound chip
	var problems bytes.Buffer
	machine.Stderr = &problems
	console, err := machine.StdoutPipe()
	if err != nil {
		return life{}, err
	}
	answers, err := machine.StdinPipe()
	if err != nil {
		return life{}, err
	}
	begin := time.Now()
	if err := machine.Start(); err != nil {
		return life{}, err
	}
	var seen life
	var cut atomic.Bool
	notes := 0
	lines := bufio.NewScanner(console)
	for lines.Scan() {
		line := strings.TrimSpace(lines.Text())
		seen.console = append(seen.console, line)
		fmt.Printf("%6.1f  %s\n", time.Since(begin).Seconds(), line)
		command, ok := strings.CutPrefix(line, "do: ")
		switch {
		case strings.HasPrefix(line, "noted: "):
			if notes++; notes == 3 {
				time.AfterFunc(rand.N(3*time.Second), func() {
					cut.Store(true)
					_ = machine.Process.Kill()
				})
			}
		case ok:
			if answer, err := ask(monitor, command); err != nil || answer != "" {
				_ = machine.Process.Kill()
				_ = machine.Wait()
				return seen, fmt.Errorf("%s: %q, %w", command, answer, err)
			}
			if _, err := fmt.Fprintln(answers, "done"); err != nil {
				return seen, err
			}
		}
	}
	err = machine.Wait()
	seen.cut = cut.Load()
	if used := machine.ProcessState; used != nil {
		fmt.Printf("%6.1f  the emulator took %.0f s of a processor\n", time.Since(begin).Seconds(), (used.UserTime() + used.SystemTime()).Seconds())
	}
	if err != nil && !seen.cut {
		return seen, fmt.Errorf("the emulator: %w: %s", err, &problems)
	}
	return seen, nil
}

// ask has the emulator carry out a command of its monitor and returns what it answers.
func ask(monitor, command string) (string, error) {
	c, err := net.Dial("unix", monitor)
	if err != nil {
		return "", err
	}
	defer c.Close()
	out, in := json.NewEncoder(c), json.NewDecoder(c)
	var answer struct {
		Return json.RawMessage
		Error  json.RawMessage
		QMP    json.RawMessage
	}
	if err := in.Decode(&answer); err != nil {
		return "", err
	}
	for _, request := range []any{
		map[string]any{"execute": "qmp_capabilities"},
		map[string]any{"execute": "human-monitor-command", "arguments": map[string]any{"command-line": command}},
	} {
		if err := out.Encode(request); err != nil {
			return "", err
		}
		answer.Return, answer.Error = nil, nil
		for answer.Return == nil && answer.Error == nil {
			if err := in.Decode(&answer); err != nil {
				return "", err
			}
		}
	}
	if answer.Error != nil {
		return "", fmt.Errorf("the monitor: %s", answer.Error)
	}
	var text string
	err = json.Unmarshal(answer.Return, &text)
	return text, err
}
