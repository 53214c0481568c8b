package config

import (
	"fmt"
	"maps"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

// ParseProfile reads the text of a care-profile file. The name serves for messages, and its base for the id where the
// file gives none. The profile is nil where there are errors.
func ParseProfile(name string, source []byte) (*care.Profile, Problems) {
	d := &decoder{reporter{origins: origins{}}}
	profile := d.profileFile(name, "", source)
	if profile != nil {
		d.checkProfile("", profile)
	}
	problems := d.problems.Sorted(name)
	if problems.Err() != nil {
		return nil, problems
	}
	return profile, problems
}

// profileFile decodes a profile; nil where the file could not be read as YAML at all. With a prefix of "" paths begin at
// the file's own root.
func (d *decoder) profileFile(name, prefix string, source []byte) *care.Profile {
	root, bad := parseYAML(name, source)
	if bad != nil {
		d.syntax(bad)
		return nil
	}
	d.origins[prefix] = root.at
	if root.kind == nothing {
		d.errorf(prefix, "the profile is empty")
		return nil
	}
	f := d.fields(root, prefix, "profile", "title", "caution", "stages")
	profile := &care.Profile{
		ID:      d.id(f["profile"], join(prefix, "profile")),
		Title:   d.text(f["title"], join(prefix, "title")),
		Caution: d.text(f["caution"], join(prefix, "caution")),
		Care:    map[care.Stage]care.Care{},
		Sources: map[string]string{},
	}
	if profile.ID == "" {
		base := path.Base(filepath.ToSlash(name))
		profile.ID = strings.TrimSuffix(strings.TrimSuffix(base, ".yaml"), ".yml")
		if err := quantity.CheckID(profile.ID); err != nil && f != nil {
			d.errorf(prefix, "the profile takes its id from the name of the file, and %s: rename the file or give profile: an-id", err)
		}
	}
	sources := map[string]string{}
	stages := join(prefix, "stages")
	for _, e := range d.anyFields(f["stages"], stages) {
		inner := join(stages, e.key)
		which, err := care.Parse(e.key)
		if err != nil {
			d.errorf(inner, "%s", UnknownWord("stage", e.key, stageNames()))
			continue
		}
		profile.Care[which] = d.care(e.value, inner, which, sources)
	}
	for path, source := range sources { // paths begin at the root of the file, whatever the prefix
		profile.Sources[strings.TrimPrefix(strings.TrimPrefix(path, prefix), ".")] = source
	}
	return profile
}

// care reads the bands and notes of one stage.
func (d *decoder) care(n *node, at string, which care.Stage, sources map[string]string) care.Care {
	care := care.Care{Stage: which, Bands: map[quantity.Quantity]care.DayNight{}}
	known := append(quantityNames(), "gosner", "lasts", "notes", "care")
	f := d.fields(n, at, known...)
	care.Gosner = d.gosner(f["gosner"], join(at, "gosner"))
	care.Lasts = d.lasting(f["lasts"], join(at, "lasts"))
	care.Notes = d.texts(f["notes"], join(at, "notes"))
	care.Tasks = d.tasks(f["care"], join(at, "care"))
	for _, q := range quantity.All() {
		if n := f[q.String()]; n != nil {
			care.Bands[q] = d.band(n, join(at, q.String()), q, sources)
		}
	}
	return care
}

var gosnerRange = regexp.MustCompile(`^(\d{1,2})(?:\s*[–-]\s*(\d{1,2}))?$`)

// gosner reads a stage or a range of stages of Gosner (1960), who counts from 1 to 46.
func (d *decoder) gosner(n *node, at string) string {
	text := d.text(n, at)
	if text == "" {
		return ""
	}
	parts := gosnerRange.FindStringSubmatch(text)
	if parts == nil {
		d.errorf(at, "%s is no range of Gosner stages such as \"25–41\"", quoted(text))
		return ""
	}
	first, _ := strconv.Atoi(parts[1])
	last := first
	if parts[2] != "" {
		last, _ = strconv.Atoi(parts[2])
	}
	if first < 1 || last > 46 || last < first {
		d.errorf(at, "Gosner stages run from 1 to 46, and this is %s", quoted(text))
		return ""
	}
	return text
}

// checkProfile reports the mistakes within a profile. It needs no site.
func (r *reporter) checkProfile(prefix string, profile *care.Profile) {
	if len(profile.Care) == 0 {
		r.errorf(r.origins.first(join(prefix, "stages"), prefix), "the profile has no stages: give stages: with one or more of %s", strings.Join(stageNames(), ", "))
	}
	for _, which := range slices.Sorted(maps.Keys(profile.Care)) {
		care := profile.Care[which]
		at := join(join(prefix, "stages"), which.String())
		for _, q := range slices.Sorted(maps.Keys(care.Bands)) {
			r.checkBand(join(at, q.String()), q, care.Bands[q])
		}
		if len(care.Bands) == 0 && len(care.Notes) == 0 && len(care.Tasks) == 0 {
			r.warnf(at, "stage %s asks for nothing: it has neither bands nor notes nor care", which)
		}
	}
}

func stageNames() []string {
	return each(care.All(), care.Stage.String)
}

func quantityNames() []string {
	return each(quantity.All(), quantity.Quantity.String)
}

// quantityByName finds a quantity; the error suggests the one that may have been meant.
func quantityByName(name string) (quantity.Quantity, error) {
	q, err := quantity.Parse(name)
	if err != nil {
		return quantity.None, fmt.Errorf("%s", UnknownWord("quantity", name, quantityNames()))
	}
	return q, nil
}
