package store

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
)

// Backup writes a copy of the file as it is now, compact and whole, while work goes on. It does not overwrite: the target
// must not exist. What is in memory only is not in it; call Commit before.
func (f *file) Backup(ctx context.Context, target string) (err error) {
	const doing = "making a backup"
	if exists(target) {
		return &Error{Doing: doing, Path: f.path, Err: fmt.Errorf("%s exists: choose another name or remove it", target)}
	}
	if _, err := f.reader(ctx); err != nil {
		return f.explain(doing, err)
	}
	// A connection of its own: those for queries are few, and a copy takes a while.
	db, err := connect(f.path, url.Values{}, append([]string{"cache_size(-512)"}, common...), 1)
	if err != nil {
		return f.explain(doing, err)
	}
	defer func() { err = errors.Join(err, f.explain(doing, db.Close())) }()
	part := target + ".part"
	if err := removeIfThere(part); err != nil {
		return f.explain(doing, err)
	}
	if err := createAs(f.path, part); err != nil {
		return f.explain(doing, err)
	}
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", part); err != nil {
		return errors.Join(f.explain(doing, err), removeIfThere(part))
	}
	if err := syncFile(part); err != nil {
		return f.explain(doing, err)
	}
	// A link refuses to replace, which a rename would not.
	if err := os.Link(part, target); err != nil {
		if exists(target) {
			return &Error{Doing: doing, Path: f.path, Err: fmt.Errorf("%s has come into being meanwhile", target)}
		}
		// Some file systems of memory sticks know no links.
		if err := os.Rename(part, target); err != nil {
			return f.explain(doing, err)
		}
	}
	if err := removeIfThere(part); err != nil {
		return f.explain(doing, err)
	}
	return f.explain(doing, syncFolder(target))
}

// removeIfThere removes files, up to the first that cannot be removed.
func removeIfThere(paths ...string) error {
	for _, path := range paths {
		if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return nil
}

// withLog returns the paths of a database and of what SQLite keeps beside it.
func withLog(path string) []string { return []string{path, path + logSuffix, path + "-shm"} }

// createAs makes an empty file that those may read who may read another: SQLite copies into it, and would itself let everybody.
func createAs(like, path string) error {
	info, err := os.Stat(like)
	if err != nil {
		return err
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	return errors.Join(file.Chmod(info.Mode().Perm()), file.Close())
}

func syncFile(path string) error {
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(file.Sync(), file.Close())
}
