// Guest is the first process of the emulated board of package board: what a keeper does with a board and its parts, step by step, on
// real buses of a real kernel. A line "do: …" on the console asks the host for a hand outside the board, such as a part to be warmed,
// and the host says when that is done.
package main

import (
	"bufio"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// parts of the lifes of the board, by the word at the end of the kernel's command line.
var parts = map[string]func() error{"first": first, "second": second, "measure": measure}

func main() {
	err := prepare()
	if err == nil {
		err = parts[os.Args[len(os.Args)-1]]()
	}
	if err != nil {
		fmt.Println("failed:", err)
	} else {
		fmt.Println("passed")
	}
	unix.Sync()
	_ = unix.Unmount("/card", 0)
	_ = unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
	select {} // the first process must not end
}

// Temperatures in millidegrees, as the emulated parts take them.
const (
	well = 23000
	hot  = 29000
)

// set warms or cools a part of the emulator.
func set(part string, millidegrees int) {
	ask(fmt.Sprintf("qom-set /machine/peripheral/%s temperature %d", part, millidegrees))
}

var host = bufio.NewReader(os.Stdin)

// ask has the host give the emulator a command, and waits for it.
func ask(command string) {
	fmt.Println("do: " + command)
	if _, err := host.ReadString('\n'); err != nil {
		fmt.Println("the host does not answer:", err)
	}
}

// pullOff takes a part off the bus: it goes on at an address that nothing asks, as the emulator lets no part of an I²C bus be removed.
func pullOff(part string) { move(part, 0x60) }

func move(part string, address int) {
	for _, change := range []string{"realized false", fmt.Sprintf("address %d", address), "realized true"} {
		ask(fmt.Sprintf("qom-set /machine/peripheral/%s %s", part, change))
	}
}

// first is a keeper's first day with the board, until the power is cut.
func first() error {
	pushes := receive()
	for part, at := range map[string]int{"tub-1": well, "tub-2": well, "tub-3": 22000, "tub-4": 24000} {
		set(part, at)
	}
	// A part that the kernel's driver reads, beside the one that dewline reads itself.
	if err := kernelPart(); err != nil {
		return err
	}
	if err := look(); err != nil {
		return err
	}
	if err := configure(); err != nil {
		return err
	}

	if err := start(); err != nil {
		return err
	}
	if err := measured("tub-1", 23, "tub-2", 23, "tub-3", 22, "tub-4", 24); err != nil {
		return err
	}
	step("four parts are read, in 1970")
	if err := warmed("tub-1", pushes); err != nil {
		return err
	}
	step("an alarm by a clock that was never set, and its push")
	if err := setClock(time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)); err != nil {
		return err
	}
	if err := synchronised(); err != nil {
		return err
	}
	if err := alarm("tub-1/air-temperature/high", "B"); err != nil {
		return err
	}
	step("the clock was set, and the alarm is the same")
	if err := cooled("tub-1"); err != nil {
		return err
	}
	if err := warmed("tub-2", pushes); err != nil {
		return err
	}
	if err := cooled("tub-2"); err != nil {
		return err
	}
	step("the same by way of the kernel's driver")
	if err := warmed("tub-4", pushes); err != nil {
		return err
	}
	if err := quiet("tub-3"); err != nil {
		return err
	}
	if err := cooled("tub-4"); err != nil {
		return err
	}
	step("two parts of one address behind a multiplexer: only the warm one has an alarm")

	pullOff("tub-3")
	if err := alarm("sensor/tub-3-part/fault", "B"); err != nil {
		return err
	}
	if err := quiet("tub-1", "tub-2", "tub-4"); err != nil {
		return err
	}
	step("a part was pulled off: its fault is called, the others are watched on")
	move("tub-3", 0x4C)
	set("tub-3", 22000)
	if err := measured("tub-3", 22); err != nil {
		return err
	}
	step("it is back, and read")

	if err := heated("tub-1"); err != nil {
		return err
	}
	if err := dewline(nil, "alarm", "acknowledge", "tub-1/air-temperature/high"); err != nil {
		return err
	}
	// The host cuts the power between any two of these, or within one.
	for i := 1; ; i++ {
		note := fmt.Sprintf("note %d before the power cut", i)
		if err := dewline(nil, "note", note); err != nil {
			return err
		}
		fmt.Println("noted:", note)
	}
}

// second is the board after the power cut.
func second() error {
	receive()
	set("tub-1", hot)
	for part, at := range map[string]int{"tub-2": well, "tub-3": 22000, "tub-4": 24000} {
		set(part, at)
	}
	if err := kernelPart(); err != nil {
		return err
	}
	if err := start(); err != nil {
		return err
	}
	if err := measured("tub-1", 29, "tub-2", 23, "tub-3", 22, "tub-4", 24); err != nil {
		return err
	}
	if err := alarm("tub-1/air-temperature/high", "C"); err != nil {
		return err
	}
	step("after the power cut the alarm is active and still acknowledged, in 1970 again")
	if err := setClock(time.Date(2026, 7, 14, 14, 0, 0, 0, time.UTC)); err != nil {
		return err
	}
	if err := synchronised(); err != nil {
		return err
	}
	if err := alarm("tub-1/air-temperature/high", "C"); err != nil {
		return err
	}
	set("tub-1", well)
	if err := gone("tub-1/air-temperature/high"); err != nil {
		return err
	}
	if err := heated("tub-4"); err != nil {
		return err
	}
	if err := cooled("tub-4"); err != nil {
		return err
	}
	step("cold, warm and cold again, by the clock that was set")
	return stop()
}
