// Package kernelfile reads the text files in which the Linux kernel shows devices (/sys), for the drivers beside it.
//
// Such a file is a call into a device driver: opening it is cheap, reading it may convert for a second, fail with an
// errno, or never come back. A call that hangs cannot be cancelled, only outlived. So every call of a sensor goes through
// its [Reader], which lets one out at a time: when the context ends first the caller gets [sensors.Timeout], and as long
// as that call stays out, every further one is refused at once as [sensors.Busy].
//
//	reader := kernelfile.NewReader(kernelfile.Dir("/sys"))
//	text, err := reader.ReadFile(ctx, "class/thermal/thermal_zone0/temp")
//
// Files are opened by path for each read, since a descriptor of a device that went away fails for ever.
package kernelfile

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
)

// Files is a tree of kernel files. Names are slash-separated and relative to its root. [Dir] gives the real one; a test
// gives its own to inject an errno, a delay or a hang.
type Files interface {
	// ReadFile returns the content of a file.
	ReadFile(name string) ([]byte, error)
	// WriteFile writes to a file that exists; it never creates one.
	WriteFile(name string, data []byte) error
	// ReadDir returns the sorted names in a folder.
	ReadDir(name string) ([]string, error)
	// ReadLink returns where a symbolic link points.
	ReadLink(name string) (string, error)
}

// pageBytes is the most that the kernel gives for one attribute: one page (Linux Documentation/filesystems/sysfs).
const pageBytes = 4096

// Dir returns the tree at root, such as "/sys". Nothing outside root can be reached through it. Root itself has to be
// the mount point: the entries of /sys/bus and /sys/class are links into /sys/devices.
func Dir(root string) Files { return dir(root) }

// Or returns files, or where those are nil the tree at root, or where that is empty the one at /sys. It is what the
// options of a driver mean.
func Or(files Files, root string) Files {
	if files != nil {
		return files
	}
	return Dir(cmp.Or(root, "/sys"))
}

type dir string

func (d dir) ReadFile(name string) ([]byte, error) {
	return within(d, func(root *os.Root) ([]byte, error) {
		f, err := root.Open(name)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		text, err := io.ReadAll(io.LimitReader(f, pageBytes+1))
		if err != nil {
			return nil, err
		}
		if len(text) > pageBytes {
			return nil, fmt.Errorf("%s is longer than %d bytes, which no kernel attribute is", name, pageBytes)
		}
		return text, nil
	})
}

func (d dir) WriteFile(name string, data []byte) error {
	_, err := within(d, func(root *os.Root) (int, error) {
		f, err := root.OpenFile(name, os.O_WRONLY|os.O_TRUNC, 0)
		if err != nil {
			return 0, err
		}
		written, err := f.Write(data)
		return written, errors.Join(err, f.Close())
	})
	return err
}

func (d dir) ReadDir(name string) ([]string, error) {
	return within(d, func(root *os.Root) ([]string, error) {
		entries, err := fs.ReadDir(root.FS(), name)
		if err != nil {
			return nil, err
		}
		names := make([]string, 0, len(entries))
		for _, entry := range entries {
			names = append(names, entry.Name())
		}
		slices.SortStableFunc(names, byNumber)
		return names, nil
	})
}

func (d dir) ReadLink(name string) (string, error) {
	return within(d, func(root *os.Root) (string, error) { return root.Readlink(name) })
}

// within opens the root again for each call: an own descriptor per call cannot be spoilt by another call that hangs.
func within[T any](d dir, call func(*os.Root) (T, error)) (T, error) {
	root, err := os.OpenRoot(string(d))
	if err != nil {
		var none T
		return none, err
	}
	defer root.Close()
	return call(root)
}

// byNumber orders hwmon2 before hwmon10, so that "the first of several" means the same to a person and to us.
func byNumber(a, b string) int {
	if stem := strings.TrimRight(a, "0123456789"); stem == strings.TrimRight(b, "0123456789") && len(a) != len(b) {
		return len(a) - len(b)
	}
	return strings.Compare(a, b)
}
