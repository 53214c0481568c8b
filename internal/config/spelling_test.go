package config

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var hyphenedKey = regexp.MustCompile(`(^|[\s{,])([a-z]+(?:-[a-z]+)+):(\s|$)`)

// Every key with a hyphen may be written with underscores: the site is the same, and each of them has a warning.
func TestEveryKeyIsReadWithUnderscores(t *testing.T) {
	source, err := os.ReadFile("testdata/everything/site.yaml")
	require.NoError(t, err)
	keys := map[string]bool{}
	old := hyphenedKey.ReplaceAllStringFunc(string(source), func(key string) string {
		keys[strings.Trim(key, " \n{,:")] = true
		return strings.ReplaceAll(key, "-", "_")
	})
	require.Greater(t, len(keys), 15)
	profile, err := os.ReadFile("testdata/example/profiles/tropical-forest-floor.yaml")
	require.NoError(t, err)
	tape := &fstest.MapFile{Data: []byte("time,point,value,unit\n")}
	load := func(text string) (*Site, Problems) {
		return LoadFS(fstest.MapFS{
			"everything/site.yaml": &fstest.MapFile{Data: []byte(text)}, "everything/tape.csv": tape,
			"example/profiles/tropical-forest-floor.yaml": &fstest.MapFile{Data: profile},
		}, "everything/site.yaml")
	}
	want, problems := load(string(source))
	require.NoError(t, problems.Err())
	for _, p := range problems {
		assert.NotContains(t, p.Message, "is spelled")
	}
	got, problems := load(old)
	require.NoError(t, problems.Err())
	for name := range keys {
		assert.Contains(t, problems.String(), strings.ReplaceAll(name, "-", "_")+" is spelled "+name+" now")
	}
	assert.Equal(t, want.MQTT, got.MQTT)
	assert.Equal(t, want.Web, got.Web)
	assert.Equal(t, want.Notify, got.Notify)
	assert.Equal(t, want.Sensors, got.Sensors)
	assert.Equal(t, fmt.Sprint(want.Places), fmt.Sprint(got.Places), "as text, since a limit that is not given is NaN")
}

// A key in both spellings is one key too many, unless one of them was merged in.
func TestKeyInBothSpellings(t *testing.T) {
	_, problems := LoadFS(fstest.MapFS{"site.yaml": &fstest.MapFile{Data: []byte(`site: north-loft
timezone: Europe/Lisbon
places: [{id: loft, kind: room}]
web: {behind_proxy: true, behind-proxy: false}
`)}}, "site.yaml")
	require.Error(t, problems.Err())
	assert.Contains(t, problems.String(), "site.yaml:4:7: behind_proxy and behind-proxy are the same key: keep behind-proxy only")
}
