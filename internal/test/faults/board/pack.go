package main

import (
	"bytes"
	"context"
	"debug/elf"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"dewline/internal/test/initramfs"
)

func one(pattern string) (string, error) {
	found, err := filepath.Glob(pattern)
	if err == nil && len(found) != 1 {
		err = fmt.Errorf("%d files %s instead of one", len(found), pattern)
	}
	if err != nil {
		return "", err
	}
	return found[0], nil
}

// pack makes the file system of the board: dewline as the boards get it, the first process, and the modules of the kernel.
func pack(ctx context.Context, kernel, program, folder, archive string) error {
	first := filepath.Join(folder, "init")
	build := exec.CommandContext(ctx, "go", "build", "-trimpath", "-ldflags", "-s -w", "-o", first, "./internal/test/faults/board/guest")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=arm", "GOARM=6")
	if output, err := build.CombinedOutput(); err != nil {
		return fmt.Errorf("building the first process: %w\n%s", err, output)
	}
	files := []initramfs.File{{Name: "modules", Mode: initramfs.Folder}}
	for name, path := range map[string]string{"init": first, "dewline": program} {
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		files = append(files, initramfs.File{Name: name, Mode: initramfs.Program, Data: data})
	}
	loaded, err := modules(filepath.Join(kernel, "lib/modules"), "armmmci", "ext4", "crc32c_generic", "i2c-versatile", "i2c-dev", "lm75")
	if err != nil {
		return err
	}
	return os.WriteFile(archive, initramfs.Archive(append(files, loaded...)), 0o600)
}

// modules returns modules of the kernel with what they need, named so that their order is that in which they can be loaded.
func modules(root string, wanted ...string) ([]initramfs.File, error) {
	paths := map[string]string{}
	err := filepath.WalkDir(root, func(path string, _ fs.DirEntry, err error) error {
		if name, ok := strings.CutSuffix(filepath.Base(path), ".ko"); ok {
			paths[strings.ReplaceAll(name, "-", "_")] = path
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	var files []initramfs.File
	done := map[string]bool{}
	var take func(name string) error
	take = func(name string) error {
		name = strings.ReplaceAll(name, "-", "_")
		if done[name] {
			return nil
		}
		done[name] = true
		path := paths[name]
		if path == "" {
			return fmt.Errorf("the kernel has no module %s", name)
		}
		needs, err := dependencies(path)
		if err != nil {
			return err
		}
		for _, needed := range needs {
			if err := take(needed); err != nil {
				return err
			}
		}
		data, err := os.ReadFile(path)
		files = append(files, initramfs.File{Name: fmt.Sprintf("modules/%02d-%s.ko", len(files), name), Mode: initramfs.Regular, Data: data})
		return err
	}
	for _, name := range wanted {
		if err := take(name); err != nil {
			return nil, err
		}
	}
	return files, nil
}

// dependencies reads which modules a module needs.
func dependencies(path string) ([]string, error) {
	file, err := elf.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	section := file.Section(".modinfo")
	if section == nil {
		return nil, fmt.Errorf("%s is no module", path)
	}
	info, err := section.Data()
	if err != nil {
		return nil, err
	}
	for line := range bytes.SplitSeq(info, []byte{0}) {
		if list, ok := bytes.CutPrefix(line, []byte("depends=")); ok && len(list) > 0 {
			return strings.Split(string(list), ","), nil
		}
	}
	return nil, nil
}
