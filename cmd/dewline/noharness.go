//go:build !harness

package main

import "dewline/internal/daemon"

// harnessFlags is empty except in builds with the tag of that name.
type harnessFlags struct{}

func (*harnessFlags) apply(*daemon.Options) error { return nil }
