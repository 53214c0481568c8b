//go:build race

package harness

var buildFlags = []string{"-race"}
