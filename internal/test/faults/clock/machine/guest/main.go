// Guest is the first and only process of the throw-away machine of package machine: it starts dewline, sets the kernel's clock under
// it, and sends the history over the serial line.
package main

import (
	"encoding/base64"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"dewline/internal/test/guest"
)

func main() {
	err := live()
	if err != nil {
		fmt.Println("guest failed:", err)
	}
	unix.Sync()
	_ = unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
	select {} // the first process must not end
}

func live() error {
	for kind, at := range map[string]string{"proc": "/proc", "devtmpfs": "/dev", "tmpfs": "/tmp"} {
		if err := os.MkdirAll(at, 0o755); err != nil {
			return err
		}
		if err := unix.Mount(kind, at, kind, 0, ""); err != nil {
			return fmt.Errorf("mounting %s: %w", at, err)
		}
	}
	if err := guest.Loopback(); err != nil {
		return err
	}
	report("booted")

	// A board without a battery, switched on for the first time.
	first, err := start()
	if err != nil {
		return err
	}
	pass(12 * time.Second)
	report("first run, by a wrong clock")
	if err := set(time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC), true); err != nil {
		return err
	}
	if err := synchronized("1"); err != nil {
		return err
	}
	pass(20 * time.Second)
	report("first run, by the right clock")
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_REALTIME, &now); err != nil {
		return err
	}
	if err := set(time.Unix(now.Unix()).Add(-40*time.Minute), false); err != nil {
		return err
	}
	pass(10 * time.Second)
	report("first run, set back by 40 minutes")
	if err := stop(first); err != nil {
		return err
	}

	// The next time it is switched on it is 1970 again, and the history has the first run.
	if err := set(time.Unix(3600, 0), false); err != nil { // the kernel lets no clock be behind the time it has been up
		return err
	}
	second, err := start()
	if err != nil {
		return err
	}
	pass(12 * time.Second)
	report("second run, by a wrong clock")
	if err := synchronized("0"); err != nil {
		return err
	}
	if err := set(time.Date(2026, 7, 14, 15, 0, 0, 0, time.UTC), true); err != nil {
		return err
	}
	if err := synchronized("1"); err != nil {
		return err
	}
	pass(8 * time.Second)
	report("second run, by the right clock")
	if err := stop(second); err != nil {
		return err
	}
	history, err := os.ReadFile("/house/history.db")
	if err != nil {
		return err
	}
	fmt.Println("history:", base64.StdEncoding.EncodeToString(history))
	return nil
}

func start() (*exec.Cmd, error) {
	c := exec.Command("/dewline", "run", "--config", "/house/site.yaml", "--root", "/house")
	c.Stdout, c.Stderr = os.Stdout, os.Stdout
	return c, c.Start()
}

func stop(c *exec.Cmd) error {
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	return c.Wait()
}

// pass waits by the monotonic clock, which is what Go's timers go by.
func pass(d time.Duration) { time.Sleep(d) }

// set sets the kernel's clock as a time service does, and informs the kernel whether it is synchronised now. Setting it makes
// the kernel doubt it (adjtimex(2)).
func set(to time.Time, synchronised bool) error {
	now := unix.NsecToTimespec(to.UnixNano())
	if err := unix.ClockSettime(unix.CLOCK_REALTIME, &now); err != nil {
		return fmt.Errorf("setting the clock: %w", err)
	}
	if !synchronised {
		return nil
	}
	t := unix.Timex{Modes: unix.ADJ_STATUS | unix.ADJ_MAXERROR | unix.ADJ_ESTERROR}
	_, err := unix.Adjtimex(&t)
	return err
}

// report writes what the kernel says of its clock.
func report(when string) {
	var t unix.Timex
	_, err := unix.Adjtimex(&t)
	fmt.Printf("guest: %s: %s, unsynchronised=%t, %v\n", when, time.Now().UTC().Format(time.RFC3339), t.Status&unix.STA_UNSYNC != 0, err)
}

// synchronized waits until dewline says of the clock what it should.
func synchronized(want string) error {
	var page strings.Builder
	for range 60 {
		page.Reset()
		if response, err := http.Get("http://127.0.0.1:8420/metrics"); err == nil {
			_, err = fmt.Fprint(&page, response.Status)
			if err == nil {
				err = response.Write(&page)
			}
			_ = response.Body.Close()
			if err == nil && strings.Contains(page.String(), "\ndewline_clock_synchronized "+want) {
				for line := range strings.Lines(page.String()) {
					if strings.HasPrefix(line, "dewline_clock_") {
						fmt.Print("guest: ", line)
					}
				}
				return nil
			}
		}
		time.Sleep(500 * time.Millisecond)
	}
	return fmt.Errorf("dewline_clock_synchronized is not %s: %s", want, page.String())
}
