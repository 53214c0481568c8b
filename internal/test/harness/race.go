//go:build race

package harness

// The flags of the Makefile's RACE, which says why, so that both builds share what they have compiled.
var buildFlags = []string{"-race", "-gcflags=modernc.org/sqlite/lib=-race=false", "-gcflags=modernc.org/libc=-race=false",
	"-gcflags=modernc.org/memory=-race=false"}
