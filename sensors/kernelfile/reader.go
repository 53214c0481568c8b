package kernelfile

import (
	"context"
	"errors"
	"fmt"

	"dewline/sensors"
)

// ErrStuck means that an earlier call has not come back from the kernel yet.
var ErrStuck = errors.New("an earlier call has not come back from the kernel")

// Reader makes the calls of one sensor, at most one at a time. It may be used by one goroutine at a time.
type Reader struct {
	files Files
	out   chan struct{} // holds a token while a call is out
}

// NewReader returns a reader of files.
func NewReader(files Files) *Reader { return &Reader{files: files, out: make(chan struct{}, 1)} }

// ReadFile returns the content of a file. The error is a [sensors.Error] of kind Timeout when ctx ended first, one of
// kind Busy wrapping [ErrStuck] when an earlier call is still out, else the error of the kernel.
func (r *Reader) ReadFile(ctx context.Context, name string) ([]byte, error) {
	return outlive(ctx, r, "reading "+name, func() ([]byte, error) { return r.files.ReadFile(name) })
}

// WriteFile writes to a file that exists. Errors are those of [Reader.ReadFile].
func (r *Reader) WriteFile(ctx context.Context, name string, data []byte) error {
	_, err := outlive(ctx, r, "writing "+name, func() (struct{}, error) { return struct{}{}, r.files.WriteFile(name, data) })
	return err
}

// ReadDir returns the sorted names in a folder. Errors are those of [Reader.ReadFile].
func (r *Reader) ReadDir(ctx context.Context, name string) ([]string, error) {
	return outlive(ctx, r, "listing "+name, func() ([]string, error) { return r.files.ReadDir(name) })
}

// ReadLink returns where a symbolic link points. Errors are those of [Reader.ReadFile].
func (r *Reader) ReadLink(ctx context.Context, name string) (string, error) {
	return outlive(ctx, r, "following "+name, func() (string, error) { return r.files.ReadLink(name) })
}

// outlive runs a call that may never return, and leaves it behind when ctx ends.
func outlive[T any](ctx context.Context, r *Reader, doing string, call func() (T, error)) (T, error) {
	type answer struct {
		got T
		err error
	}
	var none T
	if err := ctx.Err(); err != nil {
		return none, &sensors.Error{Kind: sensors.Timeout, Doing: doing, Err: err}
	}
	select {
	case r.out <- struct{}{}:
	default:
		return none, &sensors.Error{Kind: sensors.Busy, Doing: doing, Err: ErrStuck}
	}
	back := make(chan answer, 1)
	go func() {
		got, err := call()
		<-r.out // before the answer: who has it may call again at once
		back <- answer{got, err}
	}()
	select {
	case a := <-back:
		return a.got, a.err
	case <-ctx.Done():
	}
	select {
	case a := <-back: // both happened at once: an answer is worth more than a deadline
		return a.got, a.err
	default:
		return none, &sensors.Error{Kind: sensors.Timeout, Doing: doing,
			Err: fmt.Errorf("the kernel has not answered: %w", ctx.Err())}
	}
}
