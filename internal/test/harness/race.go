//go:build race

package rig

var buildFlags = []string{"-race"}
