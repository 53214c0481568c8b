package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

// FuzzConfig feeds any text as a configuration. Whatever it is, reading it ends, every problem has a place within the file,
// there is a site exactly where there is no error, and a site stays valid and serves the core.
func FuzzConfig(f *testing.F) {
	for _, path := range []string{"testdata/example/north-loft.yaml", "testdata/everything/site.yaml", "testdata/mistakes/site.yaml"} {
		text, err := os.ReadFile(path)
		require.NoError(f, err)
		f.Add(string(text))
	}
	f.Add(basis)
	f.Add("\ufeff" + strings.ReplaceAll(basis, "\n", "\r\n"))
	for _, text := range []string{
		"", "~", "a: &a [*a]", "a: &a {<<: *a}", "<<: {}", "? x\n: y", "- - - -", "{", "[", "a: |\n\n\n b", "a: >-\n", "a: !x b", "%", "---\n...\n---",
		"places:\n- &p {id: a, in: a}\n- *p\n- {<<: *p, <<: *p}", "sensors: [{driver: mqtt, unit: {temperature: }}]", "'", "\"\\x00\"",
		"site: \"\\u0000\\e[31m\"", "profiles: [site.yaml, /, .., profile.yaml]", "sensors: [~]", "a: .nan\n.inf: 1\ntrue: 2\n3: 4",
		basis + "web: {listen: ':1', hosts: [a, ''], behind-proxy: true, users: [~, x, {name: a, role: viewer, token-file: /}, {<<: {name: A}}]}",
	} {
		f.Add(text)
	}
	profile, err := os.ReadFile("testdata/example/profiles/tropical-forest-floor.yaml")
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, text string) {
		fsys := fstest.MapFS{
			"site.yaml":                           {Data: []byte(text), Mode: 0o644},
			"profile.yaml":                        {Data: profile, Mode: 0o644},
			"profiles/tropical-forest-floor.yaml": {Data: profile, Mode: 0o644},
		}
		site, problems := LoadFS(fsys, "site.yaml")
		var own Problems
		for _, p := range problems {
			if p.File == "site.yaml" {
				own = append(own, p)
			} else if p.Line < 1 || p.Column < 1 {
				t.Fatalf("%s has no place", p)
			}
		}
		assertWithin(t, text, own)
		if (site != nil) != (problems.Err() == nil) {
			t.Fatalf("site %v with problems %s", site, problems)
		}
		if site == nil {
			return
		}
		if again := site.Validate(); again.Err() != nil {
			t.Fatalf("valid once, and then: %s", again)
		}
		for i := range site.Sensors {
			s := &site.Sensors[i]
			if s.GapOrDefault() <= 0 || s.StaleAfterOrDefault() < s.GapOrDefault() || s.FaultAfter() <= 0 {
				t.Fatalf("sensor %+v cannot be watched", s)
			}
			for channel := range s.Feeds {
				if !(s.AccuracyOf(channel) >= 0) {
					t.Fatalf("%s of sensor %+v cannot be watched", channel, s)
				}
			}
		}
	})
}

// FuzzProfile does the same for a care profile.
func FuzzProfile(f *testing.F) {
	paths, err := filepath.Glob("../../configs/profiles/*.yaml")
	require.NoError(f, err)
	for _, path := range append(paths, "testdata/example/profiles/tropical-forest-floor.yaml", "testdata/mistakes/profiles/pond.yaml") {
		text, err := os.ReadFile(path)
		require.NoError(f, err)
		f.Add(string(text))
	}
	f.Add("stages: {egg: {dew-point: {low: 1e308 °C, day: {low: -1e308 K}}}}")
	f.Add("stages: {egg: {pressure: {low: {value: {value: 1 kPa}}, deadband: 1e400 Pa, foresee: 1e300y}}}")
	f.Fuzz(func(t *testing.T, text string) {
		profile, problems := ParseProfile("p.yaml", []byte(text))
		assertWithin(t, text, problems)
		if (profile != nil) != (problems.Err() == nil) {
			t.Fatalf("profile %v with problems %s", profile, problems)
		}
		if profile == nil {
			return
		}
		again := reporter{origins: origins{}}
		if again.checkProfile("", profile); again.problems.Err() != nil {
			t.Fatalf("valid once, and then: %s", again.problems)
		}
	})
}
