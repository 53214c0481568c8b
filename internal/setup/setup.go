// Package setup writes the first configuration of a site from the keeper's answers and the devices attached to the board. It
// implements `dewline init`.
package setup

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewline/configs"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/probe"
)

// Answers are what only the keeper knows.
type Answers struct {
	Site       string
	Timezone   string
	Fahrenheit bool
	Room       string // the room around all enclosures, or ""
	Places     []string
	Cohorts    []Cohort
	Sensors    map[string]string // the place of each device, by its address or by the id that probe proposes
	URLFile    string            // holds the address of a push service; "" means none
}

// Cohort is a cohort and the place in which it lives.
type Cohort struct {
	ID, Place, Profile string
	Stage              care.Stage
	Since              time.Time
}

// earliestYear is that of this program: a clock that shows an earlier one was never set.
const earliestYear = 2026

// ParseCohort reads ID=PLACE:PROFILE:STAGE.
func ParseCohort(text string, since time.Time) (Cohort, error) {
	id, rest, ok := strings.Cut(text, "=")
	parts := strings.Split(rest, ":")
	if !ok || len(parts) != 3 {
		return Cohort{}, fmt.Errorf("%q: want ID=PLACE:PROFILE:STAGE, such as a-2026=tub-1:tropical-forest-floor:larva", text)
	}
	at, err := care.Parse(parts[2])
	if err != nil {
		return Cohort{}, fmt.Errorf("%q: %w", text, err)
	}
	if _, known := configs.Profile(parts[1]); !known {
		return Cohort{}, fmt.Errorf("%q: %s", text, config.UnknownWord("care profile", parts[1], configs.Profiles()))
	}
	return Cohort{ID: id, Place: parts[0], Profile: parts[1], Stage: at, Since: since}, nil
}

// Place returns the place of a device, or "" where the keeper has not said.
func (a Answers) Place(d probe.Device) string {
	if place := cmp.Or(a.Sensors[d.Address], a.Sensors[d.ID]); place != "" {
		return place
	}
	if len(a.Places) == 1 && len(a.Sensors) == 0 {
		return a.Places[0]
	}
	return ""
}

// check finds problems with the answers that the configuration's own check would report in its own terms.
func (a Answers) check(found probe.Result) error {
	known := append(slices.Clone(a.Places), a.Room)
	for _, c := range a.Cohorts {
		if !slices.Contains(a.Places, c.Place) {
			return fmt.Errorf("cohort %s lives in %s: %s", c.ID, c.Place, config.UnknownWord("place", c.Place, a.Places))
		}
		if c.Since.Year() < earliestYear {
			return fmt.Errorf("the clock of this board shows %s, which would be on record as the day since when cohort %s is at its stage: set it first, "+
				"by a network or with sudo date -s '%d-07-14 20:00'", c.Since.Format(time.DateOnly), c.ID, earliestYear)
		}
	}
	for device, place := range a.Sensors {
		if !slices.Contains(known, place) || place == "" {
			return fmt.Errorf("sensor %s: %s", device, config.UnknownWord("place", place, a.Places))
		}
		is := func(d probe.Device) bool { return d.Driver != "" && (d.Address == device || d.ID == device) }
		if !slices.ContainsFunc(found.Devices, is) {
			return fmt.Errorf("no sensor %s is attached: see dewline probe", device)
		}
	}
	return nil
}

// Write writes the configuration.
func Write(w io.Writer, a Answers, found probe.Result) error {
	var b strings.Builder
	unit := "celsius"
	if a.Fahrenheit {
		unit = "fahrenheit"
	}
	fmt.Fprintf(&b, `# The configuration of dewline. After a change:
#
#   dewline check --config FILE         every problem with its line
#   sudo systemctl reload dewline       takes it over; one with errors is refused
#
# Every value carries its unit: 72 degF, 22 degC, 80 %%, 10s, 15m. Times of day are local. north-loft.yaml in
# /usr/share/dewline shows everything that can be configured.

site: %s
timezone: %s
light: {day: "07:00-19:00"} # when the lamps are on: bands may differ between day and night
display: {temperature: %s} # for people; files and topics stay in degree Celsius
`, a.Site, a.Timezone, unit)
	var profiles []string
	for _, c := range a.Cohorts {
		if !slices.Contains(profiles, c.Profile) {
			profiles = append(profiles, c.Profile)
		}
	}
	if len(profiles) > 0 {
		fmt.Fprintf(&b, `
# What each stage of life needs. It is a starting point: species, population, local code, permit office and your
# veterinarian decide. To read one, or to have your own numbers: dewline profile copy NAME, and put the file's name here.
profiles: [%s]
`, strings.Join(profiles, ", "))
	}
	b.WriteString("\nplaces:\n")
	inside := ""
	if a.Room != "" {
		fmt.Fprintf(&b, "  - {id: %s, kind: room}\n", a.Room)
		inside = ", in: " + a.Room
	}
	for _, place := range a.Places {
		fmt.Fprintf(&b, "  - {id: %s, kind: enclosure%s}\n", place, inside)
	}
	if len(a.Cohorts) > 0 {
		b.WriteString("\n# Who lives where, and since when at which stage: egg, larva, metamorph, juvenile or adult.\ncohorts:\n")
		for _, c := range a.Cohorts {
			fmt.Fprintf(&b, "  - id: %s\n    profile: %s\n    place: %s\n    stages: [{stage: %s, since: %s}]\n",
				c.ID, c.Profile, c.Place, c.Stage, c.Since.Format(time.DateOnly))
		}
	} else {
		b.WriteString(`
# No animals live here yet, so that nothing has limits. For each batch of animals:
# cohorts:
#   - {id: a-2026, profile: tropical-forest-floor, place: ` + a.Places[0] + `, stages: [{stage: larva, since: 2026-09-01}]}
# and their profile above: profiles: [tropical-forest-floor]
`)
	}
	if found.Found() {
		b.WriteString("\n# A temperature of a probe on a wire is taken for that of water, all others for that of the air: see that it is so.\n")
		if err := found.WriteConfigFor(&b, a.Place); err != nil {
			return err
		}
	} else {
		b.WriteString("\n# No sensor was found. The lines of each, as dewline probe writes them, belong here:\n# sensors:\n")
	}
	b.WriteString(`
history: {path: /var/lib/dewline/history.db, keep: 2y}
web: {listen: "127.0.0.1:8420"} # the pages, for this board only; phone-access.yaml shows log-in and TLS
`)
	if a.URLFile != "" {
		fmt.Fprintf(&b, `
# Who gets the alarms. The file holds one line, the address of your push service.
notify:
  - {via: webhook, url-file: %s, format: text, priorities: [medium, high, critical], test: "sunday 10:00"}
`, a.URLFile)
	} else {
		b.WriteString(`
# No one gets the alarms yet. Put the address of a push service into a file of one line beside this one:
# notify:
#   - {via: webhook, url-file: phone.url, format: text, priorities: [medium, high, critical], test: "sunday 10:00"}
`)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// Create writes the configuration to a file that must not exist yet. A configuration with errors is deleted. The problems name path.
func Create(path string, a Answers, found probe.Result) (problems []string, err error) {
	if err := a.check(found); err != nil {
		return nil, err
	}
	if _, err := os.Lstat(path); err == nil {
		return nil, fmt.Errorf("%s exists already and stays as it is: name another file with --config", path)
	}
	folder, err := os.Stat(filepath.Dir(path))
	if err != nil {
		return nil, fmt.Errorf("the folder of %s: %w", path, err)
	}
	draft, err := os.CreateTemp(filepath.Dir(path), ".init-*.yaml")
	if err != nil {
		if errors.Is(err, fs.ErrPermission) {
			err = fmt.Errorf("%w: run this with sudo, or name another file with --config", err)
		}
		return nil, err
	}
	defer os.Remove(draft.Name())
	if err := errors.Join(Write(draft, a, found), share(draft, folder), draft.Sync(), draft.Close()); err != nil {
		return nil, err
	}
	_, all := config.Load(draft.Name())
	for _, p := range all {
		problems = append(problems, strings.ReplaceAll(p.String(), draft.Name(), path))
	}
	if err := all.Err(); err != nil {
		return problems, errors.New("this would be a configuration with errors, so that it was not written")
	}
	if err := os.Link(draft.Name(), path); err != nil { // unlike a rename it never replaces a file
		return problems, err
	}
	return problems, nil
}
