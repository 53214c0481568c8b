package main

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// The users of the broker.
const (
	daemonUser = "dewline"
	nodeUser   = "sensors"
	clientUser = "phones"
)

// broker is a mosquitto of our own.
type broker struct {
	address   string
	passwords map[string]string
	process   *exec.Cmd
	done      chan error
}

// startBroker starts mosquitto in a folder, on a free loopback port, with a user for each of those who talk to it.
func startBroker(folder string) (*broker, error) {
	server, err := find("mosquitto")
	if err != nil {
		return nil, err
	}
	hasher, err := find("mosquitto_passwd")
	if err != nil {
		return nil, err
	}
	b := &broker{passwords: map[string]string{}, done: make(chan error, 1)}
	passwords := filepath.Join(folder, "passwords")
	if err := os.WriteFile(passwords, nil, 0o600); err != nil {
		return nil, err
	}
	for _, user := range []string{daemonUser, nodeUser, clientUser} {
		b.passwords[user] = rand.Text()
		if out, err := exec.Command(hasher, "-b", passwords, user, b.passwords[user]).CombinedOutput(); err != nil {
			return nil, fmt.Errorf("mosquitto_passwd: %w: %s", err, out)
		}
		if err := os.WriteFile(filepath.Join(folder, user+".password"), []byte(b.passwords[user]), 0o600); err != nil {
			return nil, err
		}
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	b.address = listener.Addr().String()
	_, port, err := net.SplitHostPort(b.address)
	if err := errors.Join(err, listener.Close()); err != nil {
		return nil, err
	}
	// Started by root, mosquitto would change to a user that cannot read the folder.
	lines := []string{"listener " + port + " 127.0.0.1", "user root", "allow_anonymous false", "password_file " + passwords, "log_dest none"}
	config := filepath.Join(folder, "mosquitto.conf")
	if err := os.WriteFile(config, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		return nil, err
	}
	var words bytes.Buffer
	b.process = exec.Command(server, "-c", config)
	b.process.Stdout, b.process.Stderr = &words, &words
	if err := b.process.Start(); err != nil {
		return nil, err
	}
	go func() { b.done <- b.process.Wait() }()
	for range 500 {
		select {
		case err := <-b.done:
			b.done <- err
			return nil, fmt.Errorf("mosquitto ended at once: %v: %s", err, words.String())
		case <-time.After(20 * time.Millisecond):
		}
		if conn, err := net.Dial("tcp", b.address); err == nil {
			return b, conn.Close()
		}
	}
	b.stop()
	return nil, fmt.Errorf("mosquitto does not listen on %s", b.address)
}

// find returns the path of a program; servers often live outside the path of ordinary users.
func find(program string) (string, error) {
	path, err := exec.LookPath(program)
	if err != nil {
		path, err = exec.LookPath(filepath.Join("/usr/sbin", program))
	}
	if err != nil {
		return "", fmt.Errorf("%s is not installed (Debian: apt-get install mosquitto): %w", program, err)
	}
	return path, nil
}

func (b *broker) stop() {
	_ = b.process.Process.Signal(syscall.SIGTERM) // it may have ended by itself
	select {
	case <-b.done:
	case <-time.After(10 * time.Second):
		_ = b.process.Process.Kill()
		<-b.done
	}
}
