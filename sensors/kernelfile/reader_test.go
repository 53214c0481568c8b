package kernelfile_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/kernelfile"
	"dewline/sensors/sensortest/kernelfiletest"
)

const (
	tree = "../../testdata/sys/north-loft"
	zone = "class/thermal/thermal_zone0/temp"
)

func TestReaderOutlivesAHungCall(t *testing.T) {
	calls := map[string]func(context.Context, *kernelfile.Reader) error{
		"read": func(ctx context.Context, r *kernelfile.Reader) error { _, err := r.ReadFile(ctx, zone); return err },
		"list": func(ctx context.Context, r *kernelfile.Reader) error {
			_, err := r.ReadDir(ctx, "class/thermal")
			return err
		},
		"link": func(ctx context.Context, r *kernelfile.Reader) error {
			_, err := r.ReadLink(ctx, "class/thermal/thermal_zone0")
			return err
		},
		"write": func(ctx context.Context, r *kernelfile.Reader) error { return r.WriteFile(ctx, zone, []byte("1\n")) },
	}
	for name, call := range calls {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				files := kernelfiletest.New(kernelfile.Dir(tree))
				reader := kernelfile.NewReader(files)
				files.Hang()
				ctx, cancel := context.WithTimeout(t.Context(), time.Second)
				defer cancel()
				begun := time.Now()
				err := call(ctx, reader)
				assert.Equal(t, sensors.Timeout, sensors.KindOf(err))
				assert.ErrorIs(t, err, context.DeadlineExceeded)
				assert.Equal(t, time.Second, time.Since(begun))

				for other, again := range calls {
					err = again(t.Context(), reader)
					assert.Equal(t, sensors.Busy, sensors.KindOf(err), other)
					assert.ErrorIs(t, err, kernelfile.ErrStuck)
				}
				assert.Equal(t, 1, files.Calls(), "nothing is started beside the call that is out")
				assert.Equal(t, time.Second, time.Since(begun), "a refusal takes no time")

				files.Heal()
				synctest.Wait()
				assert.NoError(t, call(t.Context(), reader))
			})
		})
	}
}

// A pipe without a writer hangs in the kernel for real.
func TestReaderOutlivesARealHang(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "temp")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	reader := kernelfile.NewReader(kernelfile.Dir(filepath.Dir(pipe)))
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	_, err := reader.ReadFile(ctx, "temp")
	assert.Equal(t, sensors.Timeout, sensors.KindOf(err))
	_, err = reader.ReadFile(t.Context(), "temp")
	assert.Equal(t, sensors.Busy, sensors.KindOf(err))

	writer, err := os.OpenFile(pipe, os.O_WRONLY, 0) // lets the reader go
	require.NoError(t, err)
	require.NoError(t, writer.Close())
	require.NoError(t, os.Remove(pipe))
	require.NoError(t, os.WriteFile(pipe, []byte("22312\n"), 0o600))
	require.Eventually(t, func() bool {
		text, err := reader.ReadFile(t.Context(), "temp")
		return err == nil && string(text) == "22312\n"
	}, time.Minute, time.Millisecond)
}

func TestOr(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	assert.Same(t, files, kernelfile.Or(files, "/nowhere"))
	assert.Equal(t, kernelfile.Dir(tree), kernelfile.Or(nil, tree))
	assert.Equal(t, kernelfile.Dir("/sys"), kernelfile.Or(nil, ""))
}

func TestReaderOfAnEndedContextStartsNothing(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := kernelfile.NewReader(files).ReadFile(ctx, zone)
	assert.Equal(t, sensors.Timeout, sensors.KindOf(err))
	assert.ErrorIs(t, err, context.Canceled)
	assert.Zero(t, files.Calls())
}

func TestReaderPassesTheErrnoOn(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	files.Always(zone, kernelfiletest.Answer{Err: syscall.EREMOTEIO})
	_, err := kernelfile.NewReader(files).ReadFile(t.Context(), zone)
	assert.ErrorIs(t, err, syscall.EREMOTEIO)
	assert.Equal(t, sensors.Absent, sensors.KindOf(err))
}

func TestRetry(t *testing.T) {
	bad, worse := errors.New("bad"), errors.New("worse")
	for name, c := range map[string]struct {
		retry   kernelfile.Retry
		timeout time.Duration
		errs    []error
		want    error
		reads   int
		took    time.Duration
	}{
		"good at once":              {kernelfile.Retry{More: 2, Pause: 50 * time.Millisecond}, time.Second, []error{nil}, nil, 1, 0},
		"good in the end":           {kernelfile.Retry{More: 2, Pause: 50 * time.Millisecond}, time.Second, []error{bad, bad, nil}, nil, 3, 100 * time.Millisecond},
		"never good":                {kernelfile.Retry{More: 2, Pause: 50 * time.Millisecond}, time.Second, []error{bad, bad, bad}, bad, 3, 100 * time.Millisecond},
		"not worth it":              {kernelfile.Retry{More: 2, Pause: 50 * time.Millisecond}, time.Second, []error{bad, worse}, worse, 2, 50 * time.Millisecond},
		"the pause does not fit":    {kernelfile.Retry{More: 2, Pause: time.Second}, time.Second, []error{bad}, bad, 1, 0},
		"the read does not fit":     {kernelfile.Retry{More: 2, Pause: 600 * time.Millisecond, Needs: 400 * time.Millisecond}, time.Second, []error{bad}, bad, 1, 0},
		"once fits, twice does not": {kernelfile.Retry{More: 2, Pause: 600 * time.Millisecond}, time.Second, []error{bad, bad}, bad, 2, 600 * time.Millisecond},
		"no deadline":               {kernelfile.Retry{More: 1, Pause: time.Hour}, 0, []error{bad, nil}, nil, 2, time.Hour},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx := t.Context()
				if c.timeout > 0 {
					var cancel context.CancelFunc
					ctx, cancel = context.WithTimeout(ctx, c.timeout)
					defer cancel()
				}
				reads := 0
				begun := time.Now()
				err := c.retry.Do(ctx, func(err error) bool { return err == bad }, func() error {
					reads++
					return c.errs[reads-1]
				})
				assert.Equal(t, c.want, err)
				assert.Equal(t, c.reads, reads)
				assert.Equal(t, c.took, time.Since(begun))
			})
		})
	}
}

func TestWaitEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Second, cancel)
		begun := time.Now()
		assert.False(t, kernelfile.Wait(ctx, time.Hour, 0))
		assert.Equal(t, time.Second, time.Since(begun))
	})
}

func TestPassing(t *testing.T) {
	for err, want := range map[error]bool{
		syscall.EIO: true, syscall.EAGAIN: true, syscall.EBUSY: true, syscall.EINTR: true, syscall.ENODATA: true,
		syscall.ENXIO: true, syscall.EREMOTEIO: true, // no acknowledgement: unplugged, or busy for a moment
		syscall.ENODEV: false, fs.ErrNotExist: false, syscall.ETIMEDOUT: false, syscall.EPERM: false,
		context.DeadlineExceeded: false, sensors.Errorf(sensors.Implausible, "85 °C"): false,
		sensors.Errorf(sensors.Checksum, "garbled"):                          true,
		&sensors.Error{Kind: sensors.Busy, Err: kernelfile.ErrStuck}:         false,
		fmt.Errorf("temp1: %w", &fs.PathError{Op: "read", Err: syscall.EIO}): true,
	} {
		assert.Equal(t, want, kernelfile.Passing(err), err)
	}
}

func TestDoing(t *testing.T) {
	err := kernelfile.Doing("reading w1 28-00000b3c5d1e", sensors.Errorf(sensors.Checksum, "garbled"))
	assert.EqualError(t, err, "reading w1 28-00000b3c5d1e: garbled: checksum")
	err = kernelfile.Doing("temp1", syscall.ENODEV)
	assert.EqualError(t, err, "temp1: absent: no such device")
	assert.ErrorIs(t, err, syscall.ENODEV)
	err = kernelfile.Doing("reading hwmon sht4x", err)
	assert.EqualError(t, err, "reading hwmon sht4x: temp1: absent: no such device")
}

func TestParse(t *testing.T) {
	for text, want := range map[string]int64{"22312\n": 22312, "-500": -500, " 0 ": 0} {
		got, err := kernelfile.ParseInteger([]byte(text))
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	for _, text := range []string{"", "\n", "22.5", "0x10", "1e3", "ten", "1 2", "9223372036854775808"} {
		_, err := kernelfile.ParseInteger([]byte(text))
		assert.Equal(t, sensors.Checksum, sensors.KindOf(err), "%q", text)
	}
	for text, want := range map[string]float64{"41.074000000\n": 41.074, "24540": 24540, "-0.5": -0.5} {
		got, err := kernelfile.ParseDecimal([]byte(text))
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	for _, text := range []string{"", "nan", "inf", "-Inf", "1e3", "0x1p4", "1_0", "1,5", "+1", "1.2.3", "--1"} {
		_, err := kernelfile.ParseDecimal([]byte(text))
		assert.Equal(t, sensors.Checksum, sensors.KindOf(err), "%q", text)
	}
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{"22312\n", "-0.5", "41.074000000", "nan", "1e999", ""} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		n, err := kernelfile.ParseInteger(text)
		x, err2 := kernelfile.ParseDecimal(text)
		if err != nil && n != 0 || err2 != nil && x != 0 {
			t.Fatalf("%q gives %d and %g beside errors", text, n, x)
		}
		if err2 == nil && x != x || err == nil && err2 == nil && float64(n) != x {
			t.Fatalf("%q is %d and %g", text, n, x)
		}
	})
}

func BenchmarkReaderReadFile(b *testing.B) {
	reader := kernelfile.NewReader(kernelfile.Dir(tree))
	for b.Loop() {
		if _, err := reader.ReadFile(b.Context(), zone); err != nil {
			b.Fatal(err)
		}
	}
}
