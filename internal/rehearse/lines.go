package rehearse

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
	"dewline/internal/format/rehearsal"
)

// plain is what a value of a request may look like: as a plain scalar of YAML it means itself.
var plain = regexp.MustCompile(`^(|-?[0-9][0-9A-Za-z .,%°³µ/·]{0,30}|low|medium|high|critical)$`)

// idLike is an id of a place, a cohort or a profile, or the name of a quantity.
var idLike = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

// checkText refuses what could be more than a value.
func checkText(r *rehearsal.Request) error {
	for i := range r.Bands {
		b := &r.Bands[i]
		values := []string{b.OnDelay, b.CriticalOnDelay, b.OffDelay, b.Deadband, b.Priority, b.Foresee}
		for _, l := range []*rehearsal.Limits{&b.Day, b.Night} {
			if l != nil {
				values = append(values, l.CriticalLow, l.Low, l.High, l.CriticalHigh)
			}
		}
		for _, v := range values {
			if !plain.MatchString(v) {
				return fmt.Errorf("%q is no value such as 75 degF, 80 %% or 10m", v)
			}
		}
		if !idLike.MatchString(b.Place) || !idLike.MatchString(b.Quantity) {
			return fmt.Errorf("%q is no point", b.Place+"/"+b.Quantity)
		}
	}
	for _, p := range r.Profiles {
		if !idLike.MatchString(p.Cohort) || !idLike.MatchString(p.Profile) {
			return fmt.Errorf("%q and %q are no cohort and care profile", p.Cohort, p.Profile)
		}
	}
	return nil
}

// place writes the bands of a place as lines of a configuration, at the depth of its id.
func placeLines(w *strings.Builder, bands []rehearsal.Band) {
	w.WriteString("    bands:\n")
	for i := range bands {
		b := &bands[i]
		fmt.Fprintf(w, "      %s:\n        override: true # instead of the bands of the animals that live there\n", b.Quantity)
		key := func(indent, name, value string) {
			if value != "" {
				fmt.Fprintf(w, "%s%s: %s\n", indent, name, value)
			}
		}
		limits := func(indent string, l *rehearsal.Limits) {
			key(indent, "critical-low", l.CriticalLow)
			key(indent, "low", l.Low)
			key(indent, "high", l.High)
			key(indent, "critical-high", l.CriticalHigh)
		}
		const inner = "        "
		if b.Night == nil || *b.Night == b.Day {
			limits(inner, &b.Day)
		} else {
			for _, half := range []struct {
				name   string
				limits *rehearsal.Limits
			}{{"day", &b.Day}, {"night", b.Night}} {
				if *half.limits != (rehearsal.Limits{}) {
					w.WriteString(inner + half.name + ":\n")
					limits(inner+"  ", half.limits)
				}
			}
		}
		key(inner, "on-delay", b.OnDelay)
		key(inner, "critical-on-delay", b.CriticalOnDelay)
		key(inner, "off-delay", b.OffDelay)
		key(inner, "deadband", b.Deadband)
		key(inner, "priority", b.Priority)
		key(inner, "foresee", b.Foresee)
	}
}

// byPlace groups the bands of a request, in the order of the request.
func byPlace(r *rehearsal.Request) (groups [][]rehearsal.Band) {
	for _, b := range r.Bands {
		k := slices.IndexFunc(groups, func(g []rehearsal.Band) bool { return g[0].Place == b.Place })
		if k < 0 {
			k, groups = len(groups), append(groups, nil)
		}
		groups[k] = append(groups[k], b)
	}
	return groups
}

// Lines writes what a request changes as lines of a configuration, with comments that say where they go.
func Lines(r *rehearsal.Request) string {
	var w strings.Builder
	w.WriteString("# Tried on past readings, and not in force. Put it into the configuration, run dewline check, and let the daemon read it\n" +
		"# again (systemctl reload dewline). Change one thing at a time, and look at the animals.\n")
	if len(r.Bands) > 0 {
		w.WriteString("\n# Under places: the key bands of each place below. A band of the same quantity that is there is replaced by this one.\nplaces:\n")
		for _, group := range byPlace(r) {
			fmt.Fprintf(&w, "  - id: %s\n", group[0].Place)
			placeLines(&w, group)
		}
	}
	if len(r.Profiles) > 0 {
		w.WriteString("\n# Under cohorts: the key profile of each cohort below. Under profiles: its name, where it is not there yet. A cohort that the journal\n" +
			"# has seen keeps its profile until dewline cohort end and begin give it another one.\ncohorts:\n")
		for _, p := range r.Profiles {
			fmt.Fprintf(&w, "  - id: %s\n    profile: %s\n", p.Cohort, p.Profile)
		}
	}
	return w.String()
}

// parsed reads the bands and profiles of a request as a configuration that has nothing else.
func parsed(r *rehearsal.Request, site *config.Site) (*config.Site, error) {
	var w strings.Builder
	w.WriteString("site: tried\ntimezone: UTC\nlight: {day: \"07:00-19:00\"}\nplaces:\n")
	for _, group := range byPlace(r) {
		fmt.Fprintf(&w, "  - id: %s\n    kind: enclosure\n", group[0].Place)
		placeLines(&w, group)
	}
	if len(r.Bands) == 0 {
		w.WriteString("  - {id: anywhere, kind: enclosure}\n")
	}
	var brought []string
	for _, p := range r.Profiles {
		if site.Profiles[p.Profile] == nil && !slices.Contains(brought, p.Profile) {
			brought = append(brought, p.Profile)
		}
	}
	if len(brought) > 0 {
		fmt.Fprintf(&w, "profiles: [%s]\n", strings.Join(brought, ", "))
	}
	read, problems := config.ReadForReplay([]byte(w.String()))
	for _, p := range problems {
		if p.Severity == config.Error {
			return nil, fmt.Errorf("%s", p.Message)
		}
	}
	return read, nil
}

// asInForce fills in what a request leaves as it is: all but the limits.
func asInForce(b *rehearsal.Band, band *care.Band, q quantity.Quantity) {
	set := func(into *string, value string) {
		*into = cmp.Or(*into, value)
	}
	set(&b.OnDelay, length(band.OnDelayOf(care.High, q)))
	if band.CriticalOnDelay >= 0 {
		set(&b.CriticalOnDelay, length(band.CriticalOnDelay))
	}
	set(&b.OffDelay, length(band.OffDelay))
	set(&b.Deadband, fmt.Sprintf("%.6g %s", band.Deadband, q.DifferenceUnit().Symbol()))
	if band.Foresee > 0 {
		set(&b.Foresee, length(band.Foresee))
	}
	if band.Priority != care.Unset {
		set(&b.Priority, band.Priority.String())
	}
}

// length writes a duration as a configuration has it.
func length(d time.Duration) string {
	text := d.String()
	for _, zero := range []string{"m0s", "h0m"} {
		if strings.HasSuffix(text, zero) {
			text = text[:len(text)-2]
		}
	}
	return text
}
