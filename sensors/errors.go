package sensors

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"
)

// Kind is a way in which a read fails.
type Kind uint8

// The kinds of failure. Unknown is the zero value: an error no driver has classified.
const (
	Unknown     Kind = iota
	Absent           // nothing answers at that address: unplugged, or wrongly addressed
	Busy             // the device or its bus is held by another user, or has not finished converting
	Checksum         // bytes came, and their checksum is wrong
	Timeout          // no complete answer within the deadline
	Implausible      // a well-formed answer that cannot be true, such as a power-on value
)

var kindNames = [...]string{"unknown", "absent", "busy", "checksum", "timeout", "implausible"}

// String returns the kind as metrics and messages carry it.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return kindNames[Unknown]
}

// Error is a failed read: its kind, what was being done, and the cause.
type Error struct {
	Kind  Kind
	Doing string // such as "reading scratchpad of 28-0316a2794bff"
	Err   error  // nil where there is no underlying error
}

// Error says what was being done, the kind and the cause.
func (e *Error) Error() string {
	text := e.Kind.String()
	if e.Doing != "" {
		text = e.Doing + ": " + text
	}
	if e.Err != nil {
		text += ": " + e.Err.Error()
	}
	return text
}

// Unwrap returns the cause, so that errors.Is finds an errno through it.
func (e *Error) Unwrap() error { return e.Err }

// Errorf returns an *Error of the given kind. A %w in format sets the cause.
func Errorf(kind Kind, format string, args ...any) error {
	wrapped := fmt.Errorf(format, args...)
	if cause := errors.Unwrap(wrapped); cause != nil {
		return &Error{Kind: kind, Err: wrapped}
	}
	return &Error{Kind: kind, Doing: wrapped.Error()}
}

// KindOf returns the kind of an error: that of the first *Error in its chain, else the one its errno or context error
// speaks of, else Unknown. The errno list follows the Linux kernel's i2c/fault-codes page, with EREMOTEIO beside ENXIO
// since some adapters report a missing acknowledgement so.
func KindOf(err error) Kind {
	if err == nil {
		return Unknown
	}
	var classified *Error
	if errors.As(err, &classified) && classified.Kind != Unknown {
		return classified.Kind
	}
	switch {
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled), errors.Is(err, syscall.ETIMEDOUT):
		return Timeout
	case errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.EREMOTEIO), errors.Is(err, syscall.ENODEV),
		errors.Is(err, os.ErrNotExist):
		return Absent
	case errors.Is(err, syscall.EBUSY), errors.Is(err, syscall.EAGAIN), errors.Is(err, syscall.EINTR):
		return Busy
	case errors.Is(err, syscall.EIO):
		return Checksum
	}
	return Unknown
}
