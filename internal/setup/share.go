package setup

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// share makes a file readable for the group of the folder only: the service runs as that group.
func share(file *os.File, folder fs.FileInfo) error {
	if owner, ok := folder.Sys().(*syscall.Stat_t); ok && os.Getuid() == 0 {
		if err := file.Chown(0, int(owner.Gid)); err != nil {
			return err
		}
	}
	return file.Chmod(0o640)
}

// WriteSecret writes one line to a file that must not exist yet, readable as the configuration is.
func WriteSecret(path, line string) error {
	folder, err := os.Stat(filepath.Dir(path))
	if err != nil {
		return err
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer file.Close()
	if err := share(file, folder); err != nil {
		return err
	}
	if _, err := file.WriteString(line + "\n"); err != nil {
		return err
	}
	return file.Sync()
}
