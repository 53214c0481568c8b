// Package configs carries the example sites and the shipped care profiles, so that the program has them without any file
// beside it.
package configs

import "embed"

// Files holds the examples by name, such as "north-loft.yaml", and the profiles below "profiles".
//
//go:embed *.yaml profiles/*.yaml
var Files embed.FS
