package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"time"

	"dewline/internal/server/control"
)

const configuration = "/card/site.yaml"

// patience is how long what must come may take; an emulated board on a busy machine is slow.
const patience = 3 * time.Minute

var daemon *exec.Cmd

// step reports what has been shown, with the time since the board was switched on.
func step(text string) { fmt.Printf("step: %s\n", text) }

// dewline runs the program, prints what it says, and hands what it printed to look, where that is not nil.
func dewline(look func(output string) error, args ...string) error {
	var output, progress bytes.Buffer
	c := exec.Command("/dewline", args...)
	c.Stdout, c.Stderr = &output, &progress
	begin := time.Now()
	err := c.Run()
	fmt.Printf("$ dewline %s   (%.1f s)\n%s%s", strings.Join(args, " "), time.Since(begin).Seconds(), &output, &progress)
	if err != nil {
		return fmt.Errorf("dewline %s: %w", strings.Join(args, " "), err)
	}
	if look != nil {
		err = look(output.String() + progress.String())
	}
	return err
}

// all looks for each of several texts.
func all(wanted ...string) func(string) error {
	return func(output string) error {
		for _, text := range wanted {
			if !strings.Contains(output, text) {
				return fmt.Errorf("%q is not in it", text)
			}
		}
		return nil
	}
}

// kernelPart has the kernel's driver lm75 read the part at 0x4a, as an overlay of the board would.
func kernelPart() error {
	return os.WriteFile("/sys/bus/i2c/devices/i2c-0/new_device", []byte("tmp105 0x4a"), 0)
}

// look searches the buses. The second bus of this board has no pull-up resistors, which a whole search says at its end.
func look() error {
	// A busy emulator may answer late at an address; then the search says so, and is repeated.
	found := all("# I2C0 0x49  LM75, TMP75, TMP105 or alike (lm75)", "23.00 °C", "probably a multiplexer", "a part that a kernel driver reads", "TMP105 (hwmon)")
	var err error
	for range 3 {
		if err = dewline(found, "probe", "--bus", "I2C0", "--bus", "hwmon"); err == nil {
			break
		}
	}
	if err != nil {
		return err
	}
	for range 3 {
		if err = dewline(all("I2C0/0x70:0 0x4c", "22.00 °C", "I2C0/0x70:1 0x4c", "24.00 °C"),
			"probe", "--bus", "I2C0/0x70:0", "--bus", "I2C0/0x70:1"); err == nil {
			break
		}
	}
	step("found what is there, also behind the multiplexer")
	return err
}

// configure writes the configuration by the words of the README, and then gives it limits and delays that a test can wait for.
func configure() error {
	if err := os.WriteFile("/card/push", []byte("http://127.0.0.1:9000/loft\n"), 0o600); err != nil {
		return err
	}
	// The search of the whole board ends with what it found, although one of its buses does not work.
	if err := dewline(all("found lm75", "I2C1 could not be searched to its end", "wrote "+configuration), "init", "--config", configuration,
		"--site", "north-loft", "--timezone", "Europe/Lisbon", "--temperature", "celsius", "--place", "tub-1", "--place", "tub-2",
		"--sensor", "0x49=tub-1", "--sensor", "0-004a=tub-2", "--url-file", "push"); err != nil {
		return err
	}
	written, err := os.ReadFile(configuration)
	if err != nil {
		return err
	}
	const bands = ", bands: {air-temperature: {low: 20 °C, high: 26 °C, on-delay: 8s, off-delay: 4s}}}"
	behind := ""
	for i, place := range []string{"tub-3", "tub-4"} {
		behind += fmt.Sprintf("  - {id: %s-part, driver: lm75, bus: I2C0, mux: {address: 0x70, channel: %d}, address: 0x4c, part: TMP105, "+
			"every: 10s, feeds: {temperature: %s/air-temperature}}\n", place, i, place)
	}
	text := strings.NewReplacer(
		"{id: tub-1, kind: enclosure}", "{id: tub-1, kind: enclosure"+bands,
		"{id: tub-2, kind: enclosure}", "{id: tub-2, kind: enclosure"+bands+
			"\n  - {id: tub-3, kind: enclosure"+bands+"\n  - {id: tub-4, kind: enclosure"+bands,
		"driver: lm75\n", "driver: lm75\n    part: TMP105\n",
		"\nsensors:\n", "\nsensors:\n"+behind,
		"/var/lib/dewline/history.db", "history.db",
	).Replace(string(written))
	text = strings.ReplaceAll(strings.ReplaceAll(text, "every: 10s,", "every: 5s, gap: 20s, stale-after: 40s,"), "every: 10s\n",
		"every: 5s\n    gap: 20s\n    stale-after: 40s\n") + "control: {socket: /run/dewline.sock}\n"
	if err := os.WriteFile(configuration, []byte(text), 0o600); err != nil {
		return err
	}
	if err := dewline(all("go to webhook"), "check", "--config", configuration); err != nil {
		return fmt.Errorf("%w\n%s", err, text)
	}
	step("configured, and checked")
	return nil
}

func start() error {
	daemon = exec.Command("/dewline", "run", "--config", configuration)
	daemon.Stdout, daemon.Stderr = os.Stdout, os.Stdout
	return daemon.Start()
}

func stop() error {
	if err := daemon.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	return daemon.Wait()
}

// until waits for what the program does by itself.
func until(what string, holds func() error) error {
	deadline := time.Now().Add(patience)
	err := holds()
	for ; err != nil && time.Now().Before(deadline); err = holds() {
		time.Sleep(time.Second)
	}
	if err != nil {
		return fmt.Errorf("waited in vain until %s: %w", what, err)
	}
	return nil
}

func metrics() (string, error) {
	response, err := http.Get("http://127.0.0.1:8420/metrics")
	if err != nil {
		return "", err
	}
	defer response.Body.Close()
	page, err := io.ReadAll(response.Body)
	return string(page), err
}

// measured waits until places have temperatures in °C, as pairs.
func measured(pairs ...any) error {
	var lines []string
	for i := 0; i < len(pairs); i += 2 {
		lines = append(lines, fmt.Sprintf(`dewline_reading_celsius{place="%s",quantity="air-temperature"} %d`, pairs[i], pairs[i+1]))
	}
	return until(fmt.Sprint("the readings are ", pairs), func() error {
		page, err := metrics()
		if err != nil {
			return err
		}
		return all(lines...)(page)
	})
}

// synchronised waits until dewline takes the clock for right.
func synchronised() error {
	return until("the clock is confirmed", func() error {
		page, err := metrics()
		if err != nil {
			return err
		}
		return all("\ndewline_clock_synchronized 1")(page)
	})
}

func alarms() ([]control.Alarm, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	return control.Dial("/run/dewline.sock").Alarms(ctx)
}

// alarm waits until an alarm has one of some states, by the letters of ISA-18.2.
func alarm(name string, states ...string) error {
	return until(fmt.Sprintf("%s has state %v", name, states), func() error {
		list, err := alarms()
		if err != nil {
			return err
		}
		for _, a := range list {
			for _, state := range states {
				if a.Alarm == name && string(a.State) == state {
					return nil
				}
			}
		}
		text, err := json.Marshal(list)
		return errors.Join(err, errors.New(string(text)))
	})
}

// gone waits until an alarm is not active any more.
func gone(name string) error {
	return until(name+" is over", func() error {
		list, err := alarms()
		if err != nil {
			return err
		}
		for _, a := range list {
			if a.Alarm == name && a.Active {
				return errors.New("it is active")
			}
		}
		return nil
	})
}

// quiet looks whether no alarm of places is active.
func quiet(places ...string) error {
	list, err := alarms()
	for _, a := range list {
		for _, place := range places {
			if a.Active && strings.HasPrefix(a.Alarm, place+"/") {
				err = errors.Join(err, fmt.Errorf("%s is active", a.Alarm))
			}
		}
	}
	return err
}

// heated heats the part of a place and waits for the alarm.
func heated(place string) error {
	set(place, hot)
	return alarm(place+"/air-temperature/high", "B")
}

// warmed does the same and waits for the push, too, which an alarm that comes back soon does not send.
func warmed(place string, pushes *received) error {
	before := pushes.count(place)
	if err := heated(place); err != nil {
		return err
	}
	return until("the push of "+place+" is there", func() error {
		if pushes.count(place) == before {
			return errors.New("no push names the place")
		}
		return nil
	})
}

// cooled takes it back to where it was well, acknowledges the alarm and waits for its end.
func cooled(place string) error {
	set(place, well)
	if err := gone(place + "/air-temperature/high"); err != nil {
		return err
	}
	return dewline(nil, "alarm", "acknowledge", place+"/air-temperature/high")
}

// received holds what came to the address of the push service, which is on the board itself.
type received struct {
	mu     sync.Mutex
	bodies []string
}

func (r *received) count(place string) int {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := 0
	for _, body := range r.bodies {
		if strings.Contains(body, place) {
			n++
		}
	}
	return n
}

func receive() *received {
	r := &received{}
	go func() {
		err := http.ListenAndServe("127.0.0.1:9000", http.HandlerFunc(func(_ http.ResponseWriter, request *http.Request) {
			body, err := io.ReadAll(request.Body)
			fmt.Printf("push: %s %v\n", strings.ReplaceAll(string(body), "\n", " | "), err)
			r.mu.Lock()
			r.bodies = append(r.bodies, string(body))
			r.mu.Unlock()
		}))
		fmt.Println("the push service ended:", err)
	}()
	return r
}
