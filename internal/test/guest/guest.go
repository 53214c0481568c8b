// Package guest holds what the first program of a throw-away machine does before anything else runs in it.
package guest

import "golang.org/x/sys/unix"

// Loopback brings up the machine's only network interface.
func Loopback() error {
	socket, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM, 0)
	if err != nil {
		return err
	}
	defer unix.Close(socket)
	request, err := unix.NewIfreq("lo")
	if err != nil {
		return err
	}
	request.SetUint16(unix.IFF_UP)
	return unix.IoctlIfreq(socket, unix.SIOCSIFFLAGS, request)
}
