package config

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"dewline/internal/core/journal"
)

// ReservedUser is the name under which dewline itself uses its embedded broker.
const ReservedUser = "dewline-daemon"

// Validate reports everything in the site that does not fit together. It looks at the model only, at no file and no
// clock, so that it serves for sites built in code as well; for one that was loaded the problems carry positions.
func (s *Site) Validate() Problems {
	v := &validator{reporter: reporter{origins: s.positions}, Site: s}
	v.site()
	v.places()
	v.profiles()
	v.cohorts()
	v.sensors()
	v.fed()
	v.mqtt()
	v.listeners()
	v.notify()
	v.export()
	v.panels()
	return v.problems.Sorted(v.origins.at("").file)
}

type validator struct {
	reporter
	*Site
}

// required reports a required value that is not given. One that was given and refused has been reported by the decoder.
func (v *validator) required(path, format string, args ...any) {
	if _, written := v.origins[path]; !written {
		v.errorf(path, format, args...)
	}
}

// line returns the line of a path, for messages that point to a second place: " (line 12)", or "".
func (v *validator) line(path string) string {
	if at := v.origins.at(path); at.line > 0 {
		return fmt.Sprintf(" (line %d)", at.line)
	}
	return ""
}

// ids reports ids that are missing or given twice among things of one kind.
func (v *validator) ids(kind, list string, ids []string) {
	first := map[string]int{}
	for i, id := range ids {
		path := join(index(list, i), "id")
		if id == "" {
			v.required(path, "this %s has no id", kind)
			continue
		}
		if before, twice := first[id]; twice {
			v.errorf(path, "there is a %s %s already%s: ids are given once", kind, quoted(id), v.line(index(list, before)))
			continue
		}
		first[id] = i
	}
}

func (v *validator) site() {
	if v.ID == "" {
		v.required("site", "the site has no id: site: north-loft")
	}
	if _, written := v.origins["timezone"]; v.Location == nil && !written {
		v.warnf("timezone", "the site has no time zone for its days and dates, so UTC is assumed: timezone: Europe/Lisbon")
	}
}

func (v *validator) placeIDs() []string { return each(v.Places, func(p Place) string { return p.ID }) }

func (v *validator) places() {
	ids := v.placeIDs()
	v.ids("place", "places", ids)
	if len(v.Places) == 0 && !v.unsure.places {
		v.errorf("places", "the site has no places: give at least one room or enclosure under places")
	}
	for i := range v.Places {
		place, path := &v.Places[i], index("places", i)
		if place.ID == journal.FaultPlace {
			v.errorf(join(path, "id"), "no place can have the id %q: the topics of sensors have it", journal.FaultPlace)
		}
		v.inside(place, join(path, "in"), ids)
		for _, q := range slices.Sorted(maps.Keys(place.Bands)) {
			band := join(path, "bands."+q.String())
			both := place.Bands[q]
			v.checkBand(band, q, both)
			if v.Light.AlwaysDay && !sameBand(both.Day, both.Night) {
				v.warnf(v.origins.first(join(band, "night"), band), "the night variant never holds, since the site gives no light hours: light: {day: \"07:00-19:00\"}")
			}
		}
	}
}

// inside checks the place that a place lies in.
func (v *validator) inside(place *Place, path string, ids []string) {
	if place.In == "" {
		return
	}
	if place.Room {
		v.errorf(path, "a room lies in no other place: leave out in, or make %s an enclosure", quoted(place.ID))
		return
	}
	outer := v.place(place.In)
	if outer == nil {
		if !v.unsure.places {
			v.errorf(path, "%s", UnknownWord("place", place.In, without(ids, place.ID)))
		}
		return
	}
	chain := []string{place.ID}
	for next := outer; next != nil; next = v.place(next.In) {
		chain = append(chain, next.ID)
		if next.ID == place.ID {
			v.errorf(path, "%s lies inside itself: %s", quoted(place.ID), strings.Join(chain, " in "))
			return
		}
		if slices.Contains(chain[:len(chain)-1], next.ID) {
			return // a circle further out, reported there
		}
	}
	if !outer.Room {
		v.errorf(path, "%s is an enclosure%s: an enclosure lies in a room", quoted(outer.ID), v.line(v.pathOfPlace(outer.ID)))
	}
}

func (v *validator) pathOfPlace(id string) string {
	i := slices.IndexFunc(v.Places, func(p Place) bool { return p.ID == id })
	return index("places", i)
}

// without returns the words except one, each once.
func without(words []string, word string) []string {
	var rest []string
	for _, w := range words {
		if w != word && w != "" && !slices.Contains(rest, w) {
			rest = append(rest, w)
		}
	}
	return rest
}

func (v *validator) profiles() {
	for _, id := range slices.Sorted(maps.Keys(v.Profiles)) {
		prefix := cmp.Or(v.profilePaths[id], "profiles."+id)
		v.checkProfile(prefix, v.Profiles[id])
	}
}
