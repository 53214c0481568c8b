package timezone

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"encoding/gob"
	"flag"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var rewrite = flag.Bool("rewrite", false, "take the zones of the Go release that runs this")

// ofGo reads the zones of the Go release.
func ofGo(t *testing.T) map[string][]byte {
	t.Helper()
	root, err := exec.Command("go", "env", "GOROOT").Output()
	require.NoError(t, err)
	archive, err := zip.OpenReader(filepath.Join(strings.TrimSpace(string(root)), "lib/time/zoneinfo.zip"))
	require.NoError(t, err)
	defer archive.Close()
	zones := map[string][]byte{}
	for _, file := range archive.File {
		if strings.HasSuffix(file.Name, "/") {
			continue
		}
		r, err := file.Open()
		require.NoError(t, err)
		zones[file.Name], err = io.ReadAll(r)
		require.NoError(t, err)
	}
	return zones
}

// Every zone of the Go release is there, and has its hours in the years in which the program is used. A release that knows newer rules
// fails this: then the zones are to be taken from it.
func TestAllZonesAreThere(t *testing.T) {
	want := ofGo(t)
	require.Greater(t, len(want), 500)
	if *rewrite {
		require.NoError(t, os.WriteFile("zones.gob.gz", pack(t, want), 0o644))
		return
	}
	zones, err := unpack()
	require.NoError(t, err)
	got := map[string][]byte{}
	for _, z := range zones {
		for _, name := range z.Names {
			got[name] = z.Data
		}
	}
	for name, data := range want {
		expected, err := time.LoadLocationFromTZData(name, data)
		require.NoError(t, err)
		actual, err := time.LoadLocationFromTZData(name, got[name])
		if !assert.NoError(t, err, "%s: go test ./internal/timezone -rewrite", name) {
			continue
		}
		for month := range 12 * 10 {
			at := time.Date(2026, time.Month(1+month), 15, 12, 0, 0, 0, time.UTC)
			if a, b := at.In(expected).Format(time.RFC3339), at.In(actual).Format(time.RFC3339); a != b {
				t.Fatalf("%s: %s in Go, %s here: go test ./internal/timezone -rewrite", name, a, b)
			}
		}
	}
}

func pack(t *testing.T, data map[string][]byte) []byte {
	names := map[string][]string{} // by content
	for name, content := range data {
		names[string(content)] = append(names[string(content)], name)
	}
	var zones []zone
	for content, of := range names {
		slices.Sort(of)
		zones = append(zones, zone{of, []byte(content)})
	}
	slices.SortFunc(zones, func(a, b zone) int { return strings.Compare(a.Names[0], b.Names[0]) })
	var b bytes.Buffer
	w, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	require.NoError(t, err)
	require.NoError(t, gob.NewEncoder(w).Encode(zones))
	require.NoError(t, w.Close())
	return b.Bytes()
}

// A machine without zone files: Go looks where ZONEINFO says and in the folders of the system, which a test cannot take away; so the name
// is one that no system has, of a zone that only the program knows.
func TestTheProgramKnowsWhatTheMachineDoesNot(t *testing.T) {
	lisbon, err := Load("Europe/Lisbon")
	require.NoError(t, err)
	assert.Equal(t, "Europe/Lisbon", lisbon.String())
	_, offset := time.Date(2026, 7, 15, 12, 0, 0, 0, lisbon).Zone()
	assert.Equal(t, 3600, offset)

	before := packed
	defer func() { packed = before }()
	ours := ofGo(t)["Europe/Lisbon"]
	packed = pack(t, map[string][]byte{"Loft/North": ours})
	loft, err := Load("Loft/North")
	require.NoError(t, err)
	assert.Equal(t, "Loft/North", loft.String())
	_, offset = time.Date(2026, 7, 15, 12, 0, 0, 0, loft).Zone()
	assert.Equal(t, 3600, offset)
	for _, unknown := range []string{"Loft/South", "../etc/passwd", "/etc/localtime"} {
		_, err = Load(unknown)
		assert.Error(t, err, unknown)
	}
	packed = []byte("no zones")
	_, err = Load("Loft/North")
	assert.ErrorContains(t, err, "the time zones of the program")
}
