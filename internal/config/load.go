package config

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"dewline/configs"
	"dewline/internal/core/care"
)

// Load reads a configuration and the care profiles it names, and checks all of it. The site is nil where there is an
// error among the problems; warnings alone leave it usable.
func Load(path string) (*Site, Problems) { return load(system{}, path, false) }

// LoadFS is [Load] within a file system. Absolute paths in the configuration mean its root.
func LoadFS(fsys fs.FS, path string) (*Site, Problems) { return load(within{fsys}, path, false) }

// LoadForReplay is [Load] for a site whose readings come from a file: the file may feed a point that no sensor feeds, so a band
// without a sensor is a warning and not an error. All other checks are the same.
func LoadForReplay(path string) (*Site, Problems) { return load(system{}, path, true) }

// files is where files are read from.
type files interface {
	Open(name string) (fs.File, error)
	Stat(name string) (fs.FileInfo, error)
}

// system is the file system of the machine.
type system struct{}

func (system) Open(name string) (fs.File, error)     { return os.Open(name) }
func (system) Stat(name string) (fs.FileInfo, error) { return os.Stat(name) }

// within is a file system in which paths may be written as in a configuration.
type within struct{ fsys fs.FS }

func (w within) Open(name string) (fs.File, error)     { return w.fsys.Open(inFS(name)) }
func (w within) Stat(name string) (fs.FileInfo, error) { return fs.Stat(w.fsys, inFS(name)) }

func inFS(name string) string {
	return path.Clean(strings.TrimLeft(filepath.ToSlash(name), "/"))
}

// readFile reads a regular file of bounded size. The error does not repeat the path.
func readFile(from files, name string) ([]byte, error) {
	info, err := from.Stat(name) // before opening it: opening a pipe would wait for a writer
	if err != nil {
		return nil, bare(err)
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("this is not a file (%s)", kindOfFile(info.Mode()))
	}
	file, err := from.Open(name)
	if err != nil {
		return nil, bare(err)
	}
	defer file.Close()
	source, err := io.ReadAll(io.LimitReader(file, maxBytes+1))
	if err != nil {
		return nil, bare(err)
	}
	return source, nil
}

// bare removes the path from an error, since the message has it already.
func bare(err error) error {
	if found, ok := errors.AsType[*fs.PathError](err); ok {
		err = found.Err
	}
	if errors.Is(err, fs.ErrNotExist) {
		return errors.New("the file does not exist")
	}
	return fmt.Errorf("the file cannot be read: %w", err)
}

func kindOfFile(mode fs.FileMode) string {
	switch {
	case mode.IsDir():
		return "it is a folder"
	case mode&fs.ModeNamedPipe != 0:
		return "it is a pipe"
	case mode&fs.ModeSocket != 0:
		return "it is a socket"
	}
	return "it is a device"
}

func load(from files, name string, replay bool) (*Site, Problems) {
	source, err := readFile(from, name)
	if err != nil {
		return nil, Problems{{File: name, Message: err.Error()}}
	}
	return parse(from, name, source, replay)
}

// ReadForReplay is [LoadForReplay] of a text that is in no file, and that names only care profiles which the program brings.
func ReadForReplay(source []byte) (*Site, Problems) { return parse(system{}, "the text", source, true) }

func parse(from files, name string, source []byte, replay bool) (*Site, Problems) {
	root, bad := parseYAML(name, source)
	d := &decoder{reporter{origins: origins{}}}
	if bad != nil {
		d.syntax(bad)
		return nil, d.problems.Sorted(name)
	}
	d.origins[""] = root.at
	loader := &loader{decoder: d, from: from, folder: filepath.Dir(name), lines: strings.Split(string(source), "\n")}
	site := loader.site(root)
	site.fedByFile = replay
	d.problems = append(d.problems, site.Validate()...)
	problems := d.problems.Sorted(name)
	if problems.Err() != nil {
		return nil, problems
	}
	site.Location = cmp.Or(site.Location, time.UTC) // there is a warning
	return site, problems
}

// loader reads the files that a configuration names.
type loader struct {
	*decoder
	from   files
	folder string   // of the configuration
	lines  []string // of the configuration
}

// resolve returns the path of a file that is named relative to the configuration.
func (l *loader) resolve(name string) string {
	if name == "" || filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(l.folder, name)
}

// profiles reads the care profiles and fills them into the site.
func (l *loader) profiles(site *Site, n *node) {
	var paths []string
	if n != nil {
		paths = l.texts(n, "profiles")
		site.unsure.profiles = n.kind == mapping
	}
	for i, name := range paths {
		entry := index("profiles", i)
		file, source, err := l.profileSource(name)
		if err != nil {
			l.errorf(entry, "care profile %s: %s", name, err)
			site.unsure.profiles = true
			continue
		}
		prefix := fmt.Sprintf("profile(%d)", i)
		profile := l.profileFile(file, prefix, source)
		if profile == nil {
			site.unsure.profiles = true
			continue
		}
		if _, twice := site.Profiles[profile.ID]; twice {
			l.errorf(entry, "care profile %s: a profile with the id %s is listed before it", name, profile.ID)
			continue
		}
		site.Profiles[profile.ID] = profile
		site.profilePaths[profile.ID] = prefix
	}
}

// profileSource reads a care profile: by its plain name one of those that the program brings, or else a file.
func (l *loader) profileSource(name string) (file string, source []byte, err error) {
	if text, shipped := configs.Profile(name); shipped {
		return name + ".yaml (shipped)", text, nil
	}
	file = l.resolve(name)
	if source, err = readFile(l.from, file); err == nil {
		return file, source, nil
	}
	if _, absent := l.from.Stat(file); errors.Is(absent, fs.ErrNotExist) {
		plain := strings.TrimSuffix(path.Base(name), ".yaml")
		if _, shipped := configs.Profile(plain); shipped {
			return "", nil, fmt.Errorf("%w; the program brings one of that name: write %s", err, plain)
		}
		if !strings.ContainsAny(name, "/.") {
			return "", nil, errors.New(UnknownWord("care profile", name, configs.Profiles()))
		}
	}
	return "", nil, err
}

// existing reads the name of a file, and warns where there is none; below /run, files appear with the service.
func (l *loader) existing(n *node, path string) string {
	name := l.file(n, path)
	if name == "" {
		return ""
	}
	if _, err := l.from.Stat(name); errors.Is(err, fs.ErrNotExist) && !strings.HasPrefix(name, "/run/") {
		l.warnf(path, "%s does not exist", name)
	}
	return name
}

// secret reads the name of a file that not everybody may read.
func (l *loader) secret(n *node, path string) string {
	name := l.existing(n, path)
	if name == "" {
		return ""
	}
	switch info, err := l.from.Stat(name); {
	case err != nil:
	case !info.Mode().IsRegular():
		l.errorf(path, "%s is not a file (%s)", name, kindOfFile(info.Mode()))
	case info.Mode().Perm()&0o006 != 0:
		l.warnf(path, "%s is open to every user of this machine: chmod o= it", name)
	}
	return name
}

// newSite returns a site in which maps may be filled.
func newSite() *Site {
	return &Site{Profiles: map[string]*care.Profile{}, profilePaths: map[string]string{}}
}
