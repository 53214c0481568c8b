package watch

import "time"

// Gap returns the longest time between two readings of a point, by its index, that are still joined by a line.
func (c *Core) Gap(i int32) time.Duration { return c.points[i].gap }
