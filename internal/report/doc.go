// Package report writes down what a range of the history shows, for the keeper's own file, a veterinarian or a permit office:
// the exposure of the animals ([Expose]), and how well the alarms have served ([Judge]).
//
//	to, err := report.Newest(ctx, store)
//	from := report.DaysBefore(to, site.Location, 7)
//	exposure, err := report.Expose(ctx, store, report.Request{Site: site, From: from, To: to})
//	err = report.Text(os.Stdout, exposure.Sheet(report.WordsOf(site)))
//	err = report.HTML(page, exposure.Printed(report.WordsOf(site)))
//
// The readings of the range go through the very core that the daemon runs, under the bands that the configuration gives now
// and the animals' record of the journal, as it is known now. The report of a cohort follows it from place to place. So the report can
// be made again at any time, and a missing reading is unknown in it, never fine. The days of a point add up to its range, zone by zone, to the millisecond, and so do its stages and
// its weeks.
//
// The range of a point is the one that was asked for. Where it would begin before the first reading that the history ever had of the
// point, it begins with that reading: a sensor that was not there yet has missed nothing. Every row says what it spans.
//
// [Text] has every day, [HTML] of [Exposure.Printed] is for a page to print and to hand over: at most four pages of A4 or Letter for
// twelve weeks of a place or a cohort, with a plot and a line for each week.
//
// # JSON of an exposure report
//
// Values are in the unit that the point names by its SenML symbol (Cel, %RH, Pa, kg/m3, K); times are RFC 3339 in UTC with
// milliseconds; members that end in _s are seconds, with milliseconds as decimals. Members may be added, none changes its
// meaning while "version" stays the same.
//
//	{"report": "exposure", "version": 1, "site": …, "timezone": …,
//	 "from": …, "to": …, "made": …|null,
//	 "place": …, "cohort": …,                  absent unless asked for
//	 "lives": [{"cohort": …, "place": …, "stage": …, "gosner": n, "count": n|null, "from": …, "to": …}],    who lived where
//	 "points": [
//	   {"point": "tub-1/water-temperature", "unit": "Cel",
//	    "bands": [{"cohort": …, "stage": …,    absent where the band is the place's own
//	               "when": "always"|"day"|"night",
//	               "critical-low": …|null, "low": …|null, "high": …|null, "critical-high": …|null}],
//	    "in_force": [{"from": …, "to": …, "when": …, "critical-low": …|null, …,   the tightest of the place's own and of all
//	                  "owners": {"high": "b-2026 (larva)"},                       who lived there, as they held: whose each is
//	                  "sources": {"high": …}}],                                   and where it comes from
//	    "median": …|null,                      of the means of ten minutes
//	    "whole":  ROW,
//	    "weeks":  [ROW with "week": "2026-06-29", "median": …|null],              the date of its Monday at the site
//	    "days":   [ROW with "day": "2026-07-01", "hours": 24],    the hours are those of the whole local day
//	    "stages": [ROW with "cohort": "a-2026", "stage": "larva"], both "" for the time in which no cohort lived there
//	    "excursions": [{"from": …, "to": …, "side": "high"|"low", "extreme": …, "unknown_s": …}]}],
//	 "alarms": [{"alarm": …, "priority": …, "unit": …, "setpoint": …|null, "extreme": …|null,
//	             "since": …, "raised": …, "acknowledged": …|null, "acknowledged_by": …, "cleared": …|null,
//	             "suppressed_by": …}],
//	 "worst": [{"point": …, "limit": …|null, "critical": true|false,              ten at most: those beyond a critical limit
//	            "from": …, "to": …, "side": …, "extreme": …, "unknown_s": …,      first, then the longest
//	            "done": [{"at": …, "kind": …, "by": …, "task": …, "text": …}]}],  alarms, acknowledgements and what people did
//	 "sensors": [{"sensor": …, "driver": …, "channel": …, "point": …, "uncertainty": …|null,
//	              "method": "none"|"offset"|"one point"|"two points", "calibrated": …|null, "due": true|false}],
//	 "counts": [{"since": …, "cohort": …, "count": n, "change": n|null, "why": …, "by": …}],
//	 "care": [{"task": …, "place": …, "cohort": …, "times": n, "first": …, "last": …, "longest_pause_s": …,
//	           "missed": n|null}],                          late by more than half an interval, or never; null: not asked for
//	 "care_missing": [{"task": …, "cohort": …, "stage": …, "missed": n}],   what a profile asks for and was not done once
//	 "journal": [{"at": …, "kind": "cohort.stage"|"misting"|"note"|…, "place": …, "cohort": …, "stage": …, "since": …, "until": …,
//	              "by": …, "reason": …, "text": …, "count": n, "why": …, "task": …, "corrected": true}],   corrected: it does not count
//	 "advice": [{"profile": …, "stage": …, "gosner": …, "notes": […]}],   what the profiles say about the stages of the range
//	 "heat_load": …,                           what a mean kinetic temperature is, and is not
//	 "cautions": […]}
//
// A ROW is
//
//	{"from": …, "to": …, "elapsed_s": …,
//	 "seconds": {"critical-low": …, "low": …, "in-band": …, "high": …, "critical-high": …, "no-band": …, "unknown": …},
//	 "shares":  {the same members, as shares of the elapsed time from 0 to 1},
//	 "coverage": …,                            share of the time that was observed
//	 "outside_s": …,                           total time observed outside the band
//	 "excursions": n,                          that began in the row, or with the range
//	 "longest_excursion_s": …,                 of the parts of excursions inside the row, with what was not observed of them
//	 "degree_hours_above": …, "degree_hours_below": …,    unit · h
//	 "min": …|null, "mean": …|null, "max": …|null,        the mean is weighted by time
//	 "mean_kinetic": {"value": …, "from": …, "to": …, "observed_s": …}}    of temperatures only, and not of a dew point
//
// The stages of a row that lies in several stretches have the first "from" and the last "to". A mean kinetic temperature
// is never given without its window: the same year gives 24 °C over a year and 31 °C over its worst day.
//
// # JSON of an alarm report
//
//	{"report": "alarms", "version": 1, "site": …, "timezone": …, "from": …, "to": …, "made": …|null,
//	 "monitored_s": …, "days": …, "enough": true|false,   30 days of data are wanted before any verdict
//	 "annunciations": n, "repeats": n,
//	 "figures": [{"name": …, "title": …, "value": …|null, "unit": …, "target": …, "source": …, "verdict": …}],
//	 "top": [{"alarm": …, "count": n, "share": …}],
//	 "chattering": [{"alarm": …, "count": n}], "fleeting": [{"alarm": …, "count": n}],
//	 "standing": [{"alarm": …, "raised": …, "cleared": …|null}],
//	 "responses": [{"priority": …, "raised": n, "acknowledged": n, "median_s": …|null, "longest_s": …|null,
//	                "allowable_s": …|null, "within": n}],
//	 "suppressed": [{"alarm": …, "state": "shelved"|…, "since": …, "until": …|null, "by": …, "reason": …}]}
//
// See [Judge] for what the figures are and how they are computed.
//
// # CSV
//
// [ExposureCSV] writes one line for each point and local day, [PerformanceCSV] one for each figure, both under a header, in the
// units of the JSON.
package report
