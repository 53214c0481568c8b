// Package configs carries the example sites and the shipped care profiles, so that the program has them without any file
// beside it.
package configs

import (
	"embed"
	"io/fs"
	"path"
	"slices"
	"strings"
)

// Files holds the examples by name, such as "north-loft.yaml", and the profiles below "profiles".
//
//go:embed *.yaml profiles/*.yaml
var Files embed.FS

// Profiles returns the names of the shipped care profiles, sorted.
func Profiles() []string {
	files, err := fs.Glob(Files, "profiles/*.yaml")
	if err != nil {
		panic(err) // only a malformed pattern is an error
	}
	names := make([]string, len(files))
	for i, file := range files {
		names[i] = strings.TrimSuffix(path.Base(file), ".yaml")
	}
	return names
}

// Profile returns the shipped care profile of a name, and whether there is one.
func Profile(name string) ([]byte, bool) {
	if !slices.Contains(Profiles(), name) {
		return nil, false
	}
	text, err := Files.ReadFile("profiles/" + name + ".yaml")
	return text, err == nil
}
