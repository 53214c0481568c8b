package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/coreos/go-systemd/v22/unit"
)

// service is the program of a unit where no service manager runs: as the unit's user and groups, with its folders, umask and environment, and
// with a socket on which it says that it is ready. What only a manager can do, such as the sandbox, credentials and the watchdog, is
// tried under a real one by `make trial`.
type service struct {
	runtime  string // its folder below /run, which goes when it stops
	process  *exec.Cmd
	ended    chan error
	log      lockedBuffer
	heard    lockedBuffer
	messages net.PacketConn
}

// startService starts what the unit in the Debian below root says, and waits until it is ready. The error has the log.
func startService(ctx context.Context, root string) (*service, error) {
	text, err := os.Open(filepath.Join(root, "usr/lib/systemd/system/dewline.service"))
	if err != nil {
		return nil, err
	}
	defer text.Close()
	set, err := serviceSection(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", text.Name(), err)
	}
	for folder, mode := range map[string]string{
		"/var/lib/" + set["StateDirectory"]: set["StateDirectoryMode"], "/run/" + set["RuntimeDirectory"]: set["RuntimeDirectoryMode"],
	} {
		if err := command(ctx, "chroot", root, "install", "-d", "-o", set["User"], "-g", set["Group"], "-m", mode, folder); err != nil {
			return nil, err
		}
	}
	const socket = "/run/ready"
	_ = os.Remove(filepath.Join(root, socket)) // of the run before
	messages, err := net.ListenPacket("unixgram", filepath.Join(root, socket))
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(filepath.Join(root, socket), 0o666); err != nil {
		return nil, errors.Join(err, messages.Close())
	}
	s := &service{runtime: filepath.Join(root, "run", set["RuntimeDirectory"]), ended: make(chan error, 1), messages: messages}
	s.process = exec.Command("chroot", "--userspec="+set["User"]+":"+set["Group"], "--groups="+set["SupplementaryGroups"], root,
		"/bin/sh", "-c", "umask "+set["UMask"]+" && exec "+set["ExecStart"])
	s.process.Env = []string{"PATH=/usr/sbin:/usr/bin:/sbin:/bin", "NOTIFY_SOCKET=" + socket, "WATCHDOG_USEC=" + set["WatchdogSec"] + "000000", set["Environment"]}
	s.process.Stdout, s.process.Stderr = &s.log, &s.log
	if err := s.process.Start(); err != nil {
		return nil, errors.Join(err, messages.Close())
	}
	go func() { s.ended <- s.process.Wait() }()
	go s.hear()
	for _, message := range []string{"READY=1", "WATCHDOG=1"} {
		if err := s.await(ctx, message); err != nil {
			return nil, errors.Join(fmt.Errorf("%s: %w; its log:\n%s", set["ExecStart"], err, s.log.String()), s.stop())
		}
	}
	return s, nil
}

// serviceSection reads what a unit says of its service. The error is of its form, or names what is not in it.
func serviceSection(text io.Reader) (set map[string]string, err error) {
	options, err := unit.DeserializeOptions(text)
	if err != nil {
		return nil, err
	}
	set = map[string]string{}
	for _, o := range options {
		if o.Section == "Service" {
			set[o.Name] = o.Value
		}
	}
	for _, name := range []string{"ExecStart", "User", "Group", "SupplementaryGroups", "UMask", "Environment", "WatchdogSec",
		"StateDirectory", "StateDirectoryMode", "RuntimeDirectory", "RuntimeDirectoryMode"} {
		if set[name] == "" {
			err = errors.Join(err, fmt.Errorf("the unit has no %s", name))
		}
	}
	return set, err
}

// hear takes every message of sd_notify(3), as a manager does: a socket whose messages are not taken blocks the program after a dozen.
func (s *service) hear() {
	buffer := make([]byte, 4096)
	for {
		n, _, err := s.messages.ReadFrom(buffer)
		if err != nil { // it was closed
			return
		}
		fmt.Fprintln(&s.heard, string(buffer[:n]))
	}
}

// await waits for a message of sd_notify(3).
func (s *service) await(ctx context.Context, message string) error {
	for deadline := time.Now().Add(2 * time.Minute); time.Now().Before(deadline); {
		if strings.Contains(s.heard.String(), message) {
			return nil
		}
		select {
		case err := <-s.ended:
			s.ended <- err
			return fmt.Errorf("it ended: %w", cmp.Or(err, errors.New("without an error")))
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
	return fmt.Errorf("no %s within two minutes", message)
}

// stop ends the service as its manager does, and waits for its end. The error is one that the program left with.
func (s *service) stop() (err error) {
	_ = s.process.Process.Signal(syscall.SIGTERM) // it may have ended by itself
	select {
	case err = <-s.ended:
	case <-time.After(time.Minute):
		err = errors.Join(errors.New("it did not end within a minute"), s.process.Process.Kill(), <-s.ended)
	}
	return errors.Join(err, s.messages.Close(), os.RemoveAll(s.runtime))
}

// lockedBuffer is a buffer of two writers and a reader.
type lockedBuffer struct {
	mu     sync.Mutex
	buffer bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buffer.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buffer.String()
}
