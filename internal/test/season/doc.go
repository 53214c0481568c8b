// Package season raises an invented cohort of the North Loft from egg to juvenile in the program itself: twenty weeks of a spring and
// summer in a minute. Its test keeps the animals' record as a keeper does, by commands and taps, and holds what the program says of the
// season, in messages, on the page of the day and in its reports, against what the test knows by itself.
package season
