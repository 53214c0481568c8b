package harness

import (
	"os/exec"
	"runtime"
	"sync"
)

// Pdeathsig acts when the thread that started the process ends, so that one thread that never ends starts them all.
var starter = sync.OnceValue(func() chan<- start {
	starts := make(chan start)
	go func() {
		runtime.LockOSThread()
		for s := range starts {
			s.result <- s.command.Start()
		}
	}()
	return starts
})

type start struct {
	command *exec.Cmd
	result  chan error
}

func startLocked(command *exec.Cmd) error {
	s := start{command, make(chan error, 1)}
	starter() <- s
	return <-s.result
}
