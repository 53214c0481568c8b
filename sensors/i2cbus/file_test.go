package i2cbus

import (
	"os"
	"path/filepath"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"dewline/sensors"
)

// deviceFile puts an ordinary file where a bus would be.
func deviceFile(t *testing.T, name string) (root string) {
	t.Helper()
	root = t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(root, "dev"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(root, "dev", name), nil, 0o600))
	return root
}

// kernel replaces the ioctl of the real one.
type kernel struct {
	slave, transfer unix.Errno
	seen            []message // the buffers are copied
	sent            [][]byte
	answer          []byte
}

func (k *kernel) ioctl(_, request, argument uintptr) error {
	switch request {
	case 0x0703:
		if k.slave != 0 {
			return k.slave
		}
	case 0x0707:
		if k.transfer != 0 {
			return k.transfer
		}
		// The one conversion that a test double of the kernel cannot avoid: the address is that of pinned memory.
		t := *(**transfer)(unsafe.Pointer(&argument))
		for _, m := range unsafe.Slice(t.messages, t.count) {
			buffer := unsafe.Slice(m.buffer, m.length)
			if m.flags&flagRead != 0 {
				copy(buffer, k.answer)
			} else {
				k.sent = append(k.sent, append([]byte{}, buffer...))
			}
			k.seen = append(k.seen, message{address: m.address, flags: m.flags, length: m.length})
		}
	}
	return nil
}

func opened(t *testing.T, k *kernel) (*Set, *Bus) {
	t.Helper()
	set := NewSet(deviceFile(t, "i2c-1"))
	t.Cleanup(func() { require.NoError(t, set.Close()) })
	bus, err := set.Bus("I2C1")
	require.NoError(t, err)
	set.files[1].ioctl = k.ioctl
	return set, bus
}

func TestTransferAsTheKernelWantsIt(t *testing.T) {
	k := &kernel{answer: []byte{0x60, 0x61}}
	_, bus := opened(t, k)
	answer := make([]byte, 2)
	require.NoError(t, bus.TxContext(t.Context(), 0x76, []byte{0xD0}, answer))
	require.Equal(t, []message{{address: 0x76, length: 1}, {address: 0x76, flags: 1, length: 2}}, k.seen,
		"one combined transaction")
	require.Equal(t, [][]byte{{0xD0}}, k.sent)
	require.Equal(t, []byte{0x60, 0x61}, answer)

	k.seen = nil
	require.NoError(t, bus.Tx(0x44, []byte{0xFD}, nil))
	require.NoError(t, bus.Tx(0x44, nil, answer))
	require.Equal(t, []message{{address: 0x44, length: 1}, {address: 0x44, flags: 1, length: 2}}, k.seen)
	require.Error(t, bus.Tx(0x44, nil, nil))
	require.Error(t, bus.Tx(0x44, make([]byte, 8193), nil))
}

// The sizes of the kernel's structs: i2c_msg and i2c_rdwr_ioctl_data (include/uapi/linux/i2c.h, i2c-dev.h).
func TestLayout(t *testing.T) {
	pointer := unsafe.Sizeof(uintptr(0))
	require.Equal(t, 8+pointer, unsafe.Sizeof(message{}))
	require.Equal(t, uintptr(8), unsafe.Offsetof(message{}.buffer))
	require.Equal(t, 2*pointer, unsafe.Sizeof(transfer{}))
	require.Equal(t, pointer, unsafe.Offsetof(transfer{}.count))
}

func TestErrnoOfTheKernelIsKept(t *testing.T) {
	for errno, kind := range map[unix.Errno]sensors.Kind{
		unix.ENXIO: sensors.Absent, unix.EREMOTEIO: sensors.Absent, unix.ETIMEDOUT: sensors.Timeout,
		unix.EIO: sensors.Checksum, unix.EAGAIN: sensors.Busy,
	} {
		_, bus := opened(t, &kernel{transfer: errno})
		err := bus.TxContext(t.Context(), 0x44, []byte{1}, nil)
		require.ErrorIs(t, err, errno)
		require.Equal(t, kind, sensors.KindOf(err), errno)
	}
}

func TestAnAddressOfAKernelDriverIsLeftAlone(t *testing.T) {
	k := &kernel{slave: unix.EBUSY}
	_, bus := opened(t, k)
	err := bus.TxContext(t.Context(), 0x44, []byte{1}, nil)
	require.ErrorIs(t, err, unix.EBUSY)
	require.Equal(t, sensors.Busy, sensors.KindOf(err))
	require.ErrorContains(t, err, "hwmon or iio")
	require.Empty(t, k.seen)
}

// The real ioctl on an ordinary file: the kernel of any Linux says ENOTTY.
func TestNoBusAtAll(t *testing.T) {
	set := NewSet(deviceFile(t, "i2c-1"))
	bus, err := set.Bus("1")
	require.NoError(t, err)
	require.ErrorIs(t, bus.Tx(0x44, []byte{1}, nil), unix.ENOTTY)
	require.NoError(t, set.Close())
	require.ErrorIs(t, bus.Tx(0x44, []byte{1}, nil), os.ErrClosed)
}

func TestABusMayComeLaterAndGo(t *testing.T) {
	root := t.TempDir()
	set := NewSet(root)
	bus, err := set.Bus("I2C3")
	require.NoError(t, err)
	err = bus.Tx(0x44, []byte{1}, nil)
	require.Equal(t, sensors.Absent, sensors.KindOf(err))
	require.ErrorContains(t, err, "dtparam=i2c_arm=on")

	require.NoError(t, os.MkdirAll(filepath.Join(root, "dev"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(root, "dev", "i2c-3"), nil, 0o600))
	k := &kernel{}
	set.files[3].ioctl = k.ioctl
	require.NoError(t, bus.Tx(0x44, []byte{1}, nil))

	// The adapter goes, and another takes its number: the old descriptor is given up.
	before := set.files[3].open
	k.transfer = unix.ENODEV
	require.Equal(t, sensors.Absent, sensors.KindOf(bus.Tx(0x44, []byte{1}, nil)))
	k.transfer = 0
	require.NoError(t, bus.Tx(0x44, []byte{1}, nil))
	require.NotSame(t, before, set.files[3].open)
	require.NoError(t, set.Close())
	require.NoError(t, set.Close())
}

func TestASetSharesItsWires(t *testing.T) {
	set := NewSet(deviceFile(t, "i2c-1"))
	one, err := set.Bus("/dev/i2c-1")
	require.NoError(t, err)
	same, err := set.Bus("I2C1")
	require.NoError(t, err)
	require.Same(t, one, same)
	channel, err := set.Bus("I2C1/0x70:3")
	require.NoError(t, err)
	require.Same(t, one.wire, channel.wire)
	require.Equal(t, "I2C1/0x70:3", channel.String())
	_, err = set.Bus("I2C1/0x70:9")
	require.Error(t, err)

	require.NoError(t, os.WriteFile(filepath.Join(set.root, "dev", "i2c-11"), nil, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(set.root, "dev", "i2c-2"), nil, 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(set.root, "dev", "null"), nil, 0o600))
	names, err := set.Present()
	require.NoError(t, err)
	require.Equal(t, []string{"I2C1", "I2C2", "I2C11"}, names)
}
