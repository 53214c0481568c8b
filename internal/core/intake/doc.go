// Package intake stands between the sensors and the core: the [Poller] reads sensors on time without letting one delay
// another, and the [Line] turns what was read into readings of points, corrected, judged, and chosen among several
// sensors where there are several.
//
//	poller, err := intake.NewPoller(jobs, intake.PollerOptions{Deliver: func(s intake.Sample) { samples <- s }})
//	...
//	outcome, err := line.Take(<-samples)
//
// Everything that can block is in the Poller. A Line owns no goroutine and no clock.
package intake
