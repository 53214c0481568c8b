package claim

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// Address checks that no program listens on a TCP address. It does not hold it: its user listens there soon after. Port 0 is always
// free.
func Address(what, address string) Claim {
	return Claim{what + " " + address, func(Holder) (io.Closer, *Holder) {
		listener, err := net.Listen("tcp", address)
		switch {
		case err == nil:
			_ = listener.Close() // nothing was accepted
		case errors.Is(err, syscall.EADDRINUSE):
			return nil, holderOf(listenerOf(address))
		}
		return nil, nil
	}}
}

// lastSystemUser is the highest number of the accounts that programs run under (login.defs(5): UID_MIN is 1000).
const lastSystemUser = 999

// Name claims a name on this machine. If the holder is an ordinary user other than this one, the name counts as free: every user can
// hold an abstract socket, and must not be able to prevent a daemon from starting.
func Name(what, name string) Claim {
	return Claim{what + " " + name, func(Holder) (io.Closer, *Holder) {
		sum := sha256.Sum256([]byte(what + "\x00" + name))
		address := "@dewline/" + hex.EncodeToString(sum[:])
		listener, err := net.Listen("unix", address)
		if err == nil {
			go answer(listener)
			return listener, nil
		}
		conn, err := net.Dial("unix", address)
		if err != nil {
			return nil, nil // it has just ended, or it is none of ours: those open their sockets to everybody
		}
		defer conn.Close()
		credentials, err := credentialsOf(conn.(*net.UnixConn))
		if err != nil || int(credentials.Uid) != os.Getuid() && credentials.Uid > lastSystemUser {
			return nil, nil
		}
		return nil, holderOf(int(credentials.Pid))
	}}
}

// answer accepts connections, so that others see that the name is held; the kernel reports by which process.
func answer(listener net.Listener) {
	for {
		conn, err := listener.Accept()
		if err != nil {
			return
		}
		_ = conn.Close() // nothing is said over it
	}
}

// peer returns the process that serves a Unix socket.
func peer(conn *net.UnixConn) *Holder {
	credentials, err := credentialsOf(conn)
	if err != nil {
		return &Holder{}
	}
	return holderOf(int(credentials.Pid))
}

func credentialsOf(conn *net.UnixConn) (credentials *unix.Ucred, err error) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return nil, err
	}
	if failed := raw.Control(func(fd uintptr) {
		credentials, err = unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED)
	}); failed != nil {
		return nil, failed
	}
	if err != nil {
		return nil, fmt.Errorf("asking who serves the socket: %w", err)
	}
	return credentials, nil
}
