package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

// settled is how long a program runs before it is measured, and measuring for how long.
const (
	settled   = time.Minute
	measuring = 2 * time.Minute
)

// measure prints what the program needs: the demo at life's pace, and a site of twenty points that are read every ten seconds.
func measure() error {
	var site strings.Builder
	site.WriteString("site: north-loft\ntimezone: Europe/Lisbon\nplaces:\n")
	for i := range 20 {
		fmt.Fprintf(&site, "  - {id: tub-%d, kind: enclosure, bands: {air-temperature: {low: 20 °C, high: 26 °C}}}\n", i)
	}
	site.WriteString("sensors:\n  - {id: part-0, driver: lm75, bus: I2C0, address: 0x49, part: TMP105, every: 10s, feeds: {temperature: tub-0/air-temperature}}\n")
	site.WriteString("  - {id: part-1, driver: hwmon, name: tmp105, address: 0-004a, every: 10s, feeds: {temperature: tub-1/air-temperature}}\n")
	for i := 2; i < 20; i++ { // the host has put three parts on each of six channels
		fmt.Fprintf(&site, "  - {id: part-%d, driver: lm75, bus: I2C0, mux: {address: 0x70, channel: %d}, address: %#02x, part: TMP105, every: 10s, "+
			"feeds: {temperature: tub-%d/air-temperature}}\n", i, (i-2)/3, 0x4C+(i-2)%3, i)
	}
	site.WriteString("history: {path: measured.db, keep: 2y}\nweb: {listen: \"127.0.0.1:8420\"}\ncontrol: {socket: /run/dewline.sock}\n")
	if err := os.WriteFile("/card/twenty.yaml", []byte(site.String()), 0o600); err != nil {
		return err
	}
	set("tub-1", well)
	set("tub-2", well)
	if err := kernelPart(); err != nil {
		return err
	}
	for _, args := range [][]string{{"run", "--config", "/card/twenty.yaml"}, {"demo", "--speed", "1"}} {
		if err := needs(args...); err != nil {
			return err
		}
	}
	return nil
}

// needs prints how long a start takes until the first value is on /metrics, and memory and share of the processor once it has settled.
func needs(args ...string) error {
	c := exec.Command("/dewline", args...)
	c.Stdout, c.Stderr = nil, os.Stdout
	begin := time.Now()
	if err := c.Start(); err != nil {
		return err
	}
	for {
		if page, err := metrics(); err == nil && strings.Contains(page, "\ndewline_reading_celsius{") {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	began := time.Since(begin)
	time.Sleep(settled)
	before, err := spent(c.Process.Pid)
	if err != nil {
		return err
	}
	time.Sleep(measuring)
	after, err := spent(c.Process.Pid)
	if err != nil {
		return err
	}
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", c.Process.Pid))
	if err != nil {
		return err
	}
	for line := range strings.Lines(string(status)) {
		if strings.HasPrefix(line, "VmRSS") || strings.HasPrefix(line, "VmHWM") || strings.HasPrefix(line, "RssAnon") {
			fmt.Print("measured: ", line)
		}
	}
	fmt.Printf("measured: %s: first value after %.1f s, %.1f %% of the processor\n", strings.Join(args, " "), began.Seconds(),
		100*(after-before).Seconds()/measuring.Seconds())
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	var ended *exec.ExitError
	if err := c.Wait(); err != nil && !errors.As(err, &ended) {
		return err
	}
	return nil
}

// spent reads how much time of a processor a process has taken (proc(5), fields 14 and 15, in hundredths of a second).
func spent(pid int) (time.Duration, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, err
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	var user, system int64
	fields := strings.Fields(rest)
	if _, err := fmt.Sscan(fields[11]+" "+fields[12], &user, &system); err != nil {
		return 0, err
	}
	return time.Duration(user+system) * 10 * time.Millisecond, nil
}
