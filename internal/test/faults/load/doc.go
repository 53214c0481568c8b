// Command load runs the real program on a large site and measures what the house promises of it: no reading lost, alarms
// in time, memory flat.
//
//	go run ./internal/test/faults/load                              # 1,000 points, a reading a second each, ten minutes
//	go run ./internal/test/faults/load --points 100 --for 1m        # a short look
//	go run ./internal/test/faults/load --soak --for 24h --pace 60   # a day of a room in 24 minutes
//
// It builds dewline, starts mosquitto with users and passwords as a site of that size would, writes a configuration, starts
// dewline run as a child, and then is everything around it: the microcontrollers that publish readings (half of the points are probes
// in water with a topic each, the others air temperature and humidity of one sensor in one JSON message), the clients
// that subscribe to all topics of the site, and the pages that are open on its stream. Now and then, at times and points left
// to chance, it publishes values beyond the limit and takes the time from the moment at which that value is handed to the
// broker until each client has the event "raised". The on-delay is a millisecond, so that the first reading beyond the limit
// establishes the alarm; the history is on, so that the time holds the writing of the journal too.
//
// At the end dewline is stopped and its history is counted: readings that it heard before the counting began, plus those
// sent since, must be there. Every ten seconds resident memory, live heap and goroutines of the child are looked at. Program and
// daemon share the machine, whose load average is printed with the figures. On a machine that has other things to do the
// latencies are the machine's: the row "the broker alone" gives those of messages that do not pass dewline.
//
// # Memory
//
// The daemon runs with GODEBUG=gctrace=1, so that its log holds what every garbage collection has left alive, and nothing is
// asked of it for that. A table gives the live heap by the minute. The verdict is on the second half of the run: a straight line
// through the live heap after its collections must not rise by more than 10 % of their mean over that half, at least 2 MiB. Resident
// memory follows the live heap at a distance that the collector chooses, about twice as much, and the heap at any one moment lies
// somewhere between the two; neither is judged. The live heap does grow in the first minutes: the readings of each point wait in memory
// for their chunk (history.ChunkReadings) to be full. A run that ends too early to see past that says so, and is not judged.
//
// It exits with 1 where a reading was lost, the 99th percentile of the alarms took more than 250 ms, an alarm never came, the
// memory is not flat, or the child ended by itself.
package main
