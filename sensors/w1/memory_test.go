package w1_test

import (
	"io/fs"

	"dewline/sensors/kernelfile"
)

// memory is a tree of files without folders or links, for fuzzing.
type memory map[string]string

var _ kernelfile.Files = memory{}

func (m memory) ReadFile(name string) ([]byte, error) {
	text, ok := m[name]
	if !ok {
		return nil, &fs.PathError{Op: "read", Path: name, Err: fs.ErrNotExist}
	}
	return []byte(text), nil
}

func (m memory) WriteFile(name string, _ []byte) error {
	return &fs.PathError{Op: "write", Path: name, Err: fs.ErrNotExist}
}

func (m memory) ReadDir(name string) ([]string, error) {
	return nil, &fs.PathError{Op: "readdir", Path: name, Err: fs.ErrNotExist}
}

func (m memory) ReadLink(name string) (string, error) {
	return "", &fs.PathError{Op: "readlink", Path: name, Err: fs.ErrNotExist}
}
