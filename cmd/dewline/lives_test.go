package main

import (
	"bytes"
	"context"
	"os/exec"
	"strconv"
	"syscall"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"dewline/internal/server/control"
)

// lives is a command of the scripts: the program runs until it has taken so many readings for its history, however slow the machine is,
// and ends in good order. Its control socket is control.sock.
//
//	lives site.yaml READINGS
func lives(binary string) func(ts *testscript.TestScript, neg bool, args []string) {
	return func(ts *testscript.TestScript, neg bool, args []string) {
		if neg || len(args) != 2 {
			ts.Fatalf("usage: lives site.yaml READINGS")
		}
		wanted, err := strconv.Atoi(args[1])
		ts.Check(err)
		var said bytes.Buffer
		run := exec.Command(binary, "run", "--config", args[0])
		run.Dir, run.Stderr = ts.MkAbs("."), &said
		ts.Check(run.Start())
		client, taken := control.Dial(ts.MkAbs("control.sock")), 0
		for deadline := time.Now().Add(90 * time.Second); taken < wanted && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
			if state, err := client.State(context.Background()); err == nil && state.History != nil {
				taken = max(taken, state.History.Pending)
			}
		}
		ts.Check(run.Process.Signal(syscall.SIGTERM))
		if err := run.Wait(); err != nil || taken < wanted {
			ts.Fatalf("%d readings of %d, and the program ended with %v:\n%s", taken, wanted, err, said.String())
		}
	}
}
