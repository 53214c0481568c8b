// Package intake turns samples of sensors into readings of points: corrected, judged, and chosen among several sensors where
// there are several.
//
//	line, err := intake.NewLine(sources, nil)
//	...
//	outcome, err := line.Take(sample)
//
// A [Line] owns no goroutine and no clock; what reads the sensors and hands it their samples is in internal/source.
package intake
