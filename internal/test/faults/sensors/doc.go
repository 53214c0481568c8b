// Package sensors holds, as tests, what becomes of the house when a sensor fails: every driver of the configuration with every
// kind of failure that package sensors knows, a read that never comes back, and values that are well formed and wrong.
//
//	go test ./internal/test/faults/sensors            # compares with the tables
//	go test ./internal/test/faults/sensors -rewrite   # writes them again: read the diff
//
// A case takes half an hour of a room in which nothing happens but the fault, on the fake clock of testing/synctest:
// healthy, broken, healthy again. Between the simulated device and the core is what the daemon has there, made by
// [dewline/internal/daemon.Wire] from a configuration as a keeper would write it. Two sensors stand beside the broken one, one
// on the same bus where there is one, one on another.
//
// testdata/detection.golden.txt says for each driver and failure how long it took from the beginning of the fault until a
// person was informed, how often a limit alarm came of it, and how many readings the neighbours lost. What must hold is held
// beside the table: no limit alarm, the fault within the stale time, the neighbour on the other bus whole, zone seconds
// that add up exactly.
//
// testdata/values.golden.txt says the same of values that no checksum can catch. Some of those nothing finds, and then the
// table says so: "not detected" is an answer that a keeper must know.
package sensors
