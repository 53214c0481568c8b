package i2cbus

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"sync"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/physic"

	"dewline/sensors"
)

// Requests and flags of the kernel's I²C device files (include/uapi/linux/i2c-dev.h and i2c.h; the kernel documentation
// page i2c/dev-interface explains their use).
const (
	requestSlave    = 0x0703 // I2C_SLAVE: EBUSY where a kernel driver has the address
	requestTransfer = 0x0707 // I2C_RDWR: one combined transaction
	flagRead        = 0x0001 // I2C_M_RD
	maxMessage      = 8192   // bytes per message that the kernel takes
)

// message is the kernel's struct i2c_msg.
type message struct {
	address uint16
	flags   uint16
	length  uint16
	buffer  *byte
}

// transfer is the kernel's struct i2c_rdwr_ioctl_data.
type transfer struct {
	messages *message
	count    uint32
}

// file is a wire as the kernel shows it: /dev/i2c-N. It is used by one transaction at a time, which its [Bus] sees to.
type file struct {
	path, name string
	ioctl      func(descriptor, request, argument uintptr) error // replaced in tests

	mu     sync.Mutex // guards what follows, never held during a transaction
	open   *os.File
	closed bool
}

func newFile(path, name string) *file { return &file{path: path, name: name, ioctl: ioctl} }

func ioctl(descriptor, request, argument uintptr) error {
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, descriptor, request, argument); errno != 0 {
		return errno
	}
	return nil
}

// String returns the name, such as "I2C1".
func (f *file) String() string { return f.name }

// SetSpeed is not offered by the kernel; the clock is set where the adapter is, such as in the device tree.
func (f *file) SetSpeed(physic.Frequency) error {
	return fmt.Errorf("%s: the clock is set in the device tree (on a Raspberry Pi dtparam=i2c_arm_baudrate): %w",
		f.path, errors.ErrUnsupported)
}

// Tx carries out one transaction. Its error keeps the errno of the kernel.
func (f *file) Tx(address uint16, w, r []byte) error {
	if len(w) == 0 && len(r) == 0 {
		return errors.New("a transaction must write or read something")
	}
	if len(w) > maxMessage || len(r) > maxMessage {
		return fmt.Errorf("a message of %d bytes is longer than the kernel takes (%d)", max(len(w), len(r)), maxMessage)
	}
	device, err := f.opened()
	if err != nil {
		return err
	}
	// The raw descriptor is borrowed: a Close meanwhile takes effect when the kernel has let go.
	connection, err := device.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	if err := connection.Control(func(descriptor uintptr) { failed = f.transact(descriptor, address, w, r) }); err != nil {
		failed = err
	}
	if errors.Is(failed, unix.ENODEV) {
		f.forget(device) // the adapter is gone; a descriptor of it fails for ever
	}
	return failed
}

// transact speaks to the kernel.
func (f *file) transact(descriptor uintptr, address uint16, w, r []byte) error {
	if err := f.ioctl(descriptor, requestSlave, uintptr(address)); err != nil {
		if errors.Is(err, unix.EBUSY) {
			return &sensors.Error{
				Kind:  sensors.Busy,
				Doing: "a kernel driver has claimed this address; read it with the driver hwmon or iio, or remove its overlay",
				Err:   err,
			}
		}
		return fmt.Errorf("I2C_SLAVE: %w", err)
	}
	var pinner runtime.Pinner
	defer pinner.Unpin()
	messages := make([]message, 0, 2)
	if len(w) > 0 {
		pinner.Pin(&w[0])
		messages = append(messages, message{address: address, length: uint16(len(w)), buffer: &w[0]})
	}
	if len(r) > 0 {
		pinner.Pin(&r[0])
		messages = append(messages, message{address: address, flags: flagRead, length: uint16(len(r)), buffer: &r[0]})
	}
	pinner.Pin(&messages[0])
	t := &transfer{messages: &messages[0], count: uint32(len(messages))}
	pinner.Pin(t)
	if err := f.ioctl(descriptor, requestTransfer, uintptr(unsafe.Pointer(t))); err != nil {
		return fmt.Errorf("I2C_RDWR: %w", err)
	}
	return nil
}

func (f *file) opened() (*os.File, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.closed {
		return nil, fmt.Errorf("%s: %w", f.path, os.ErrClosed)
	}
	if f.open != nil {
		return f.open, nil
	}
	device, err := os.OpenFile(f.path, os.O_RDWR, 0)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("no such bus; switch I²C on (on a Raspberry Pi dtparam=i2c_arm=on) and load the module i2c-dev: %w", err)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("add the user to the group of that file, often i2c: %w", err)
	case err != nil:
		return nil, err
	}
	f.open = device
	return device, nil
}

// forget gives a device file up, so that the next transaction opens it again.
func (f *file) forget(device *os.File) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.open == device {
		f.open = nil
		_ = device.Close() // its adapter has gone: nothing is left to report
	}
}

func (f *file) close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.closed = true
	if f.open == nil {
		return nil
	}
	device := f.open
	f.open = nil
	return device.Close()
}
