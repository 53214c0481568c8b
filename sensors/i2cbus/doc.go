// Package i2cbus opens I²C buses of the Linux kernel and makes them safe to share: one transaction at a time, deadlines
// that hold although a kernel call cannot be cancelled, and errors that keep their errno.
//
//	buses := i2cbus.NewSet("/")
//	defer buses.Close()
//	bus, err := buses.Bus("I2C1")        // or "1", "i2c-1", "/dev/i2c-1"
//	far, err := buses.Bus("I2C1/0x70:3") // channel 3 of the multiplexer at 0x70
//	sensor, err := sht4x.New(bus, sht4x.Options{})
//
// Opening touches nothing: the device file is opened by the first transaction, and again after its adapter has gone, so
// that a program may start before its buses are there.
//
// # Sharing
//
// All transactions of a wire go through one [Bus]; a [Set] hands out the same one to everybody. Two Buses made of the same
// wire by hand would not know of each other.
//
// # Deadlines
//
// A transaction runs in a goroutine of its own on copies of its buffers. When the context ends first, the caller gets a
// Timeout and the transaction is left to itself; until it comes back, every other one on that wire is refused as Busy.
//
// # Kernel drivers
//
// An address that a kernel driver has claimed is refused as Busy before anything is sent (I2C_SLAVE reports it; I2C_RDWR
// alone would talk over the driver's head).
package i2cbus
