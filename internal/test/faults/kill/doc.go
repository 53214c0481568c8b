// Package kill holds the test that kills the program at any instant, on the real binary: SIGKILL while it starts, while it
// writes, while a person acknowledges, or at any other moment, then a new start on the same files. A real mosquitto is
// beside it, with a subscriber whose session outlives all of it.
//
// What the history, the subscriber and the control socket say is held against models of their own: the ISA-18.2 letters
// replayed from the journal, the commits that the program logged, and the zone times computed from the stored
// readings.
//
// DEWLINE_KILLS sets the number of kills (200), DEWLINE_KILL_SEED the seed that the test prints.
//
// SIGKILL ends a process and leaves what it wrote in the hands of the kernel. A power cut also takes what was not flushed: that
// is for the tests of package history, which replay the writes of a run up to any byte.
package kill
