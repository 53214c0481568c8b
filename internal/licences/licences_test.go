package licences_test

import (
	"bytes"
	"compress/gzip"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/licences"
)

var rewrite = flag.Bool("rewrite", false, "gather the licences anew; read the difference of what dewline version --licences prints")

// module is one that is linked into the program.
type module struct{ path, version, folder string }

// linked lists the modules of the program on each machine that there is a package for.
func linked(t *testing.T) (list []module) {
	for _, machine := range []string{"arm", "arm64", "amd64"} {
		command := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}", "dewline/cmd/dewline")
		command.Env = append(os.Environ(), "GOOS=linux", "CGO_ENABLED=0", "GOARCH="+machine)
		var complaint bytes.Buffer
		command.Stderr = &complaint
		out, err := command.Output()
		require.NoError(t, err, complaint.String())
		for line := range strings.Lines(string(out)) {
			words := strings.Fields(line)
			if len(words) == 3 && !slices.Contains(list, module{words[0], words[1], words[2]}) {
				list = append(list, module{words[0], words[1], words[2]})
			}
		}
	}
	slices.SortFunc(list, func(a, b module) int { return strings.Compare(a.path, b.path) })
	return list
}

var licenceFile = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|patents)([.-].*)?$`)

// textsOf returns the licence files of a module.
func textsOf(t *testing.T, folder string) (texts []string) {
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	for _, e := range entries {
		if e.Type().IsRegular() && licenceFile.MatchString(e.Name()) && filepath.Ext(e.Name()) != ".go" {
			text, err := os.ReadFile(filepath.Join(folder, e.Name()))
			require.NoError(t, err)
			texts = append(texts, strings.TrimSpace(strings.ReplaceAll(string(text), "\r\n", "\n")))
		}
	}
	return texts
}

// gather writes the text anew.
func gather(t *testing.T, list []module) string {
	root, err := exec.Command("go", "env", "GOROOT").Output()
	require.NoError(t, err)
	var b strings.Builder
	b.WriteString("dewline contains the following software.\n")
	write := func(title, folder string) {
		texts := textsOf(t, folder)
		require.NotEmpty(t, texts, "%s brings no text of its licence", title)
		fmt.Fprintf(&b, "\n%s\n%s\n\n%s\n", title, strings.Repeat("-", len(title)), strings.Join(texts, "\n\n"))
	}
	write("the Go standard library and runtime", strings.TrimSpace(string(root)))
	for _, m := range list {
		write(m.path+" "+m.version, m.folder)
	}
	return b.String()
}

// Every module that is linked into the program has its licence in the text, by the version that is linked.
func TestEveryModuleHasItsLicence(t *testing.T) {
	list := linked(t)
	require.Greater(t, len(list), 20)
	if *rewrite {
		var packed bytes.Buffer
		w, err := gzip.NewWriterLevel(&packed, gzip.BestCompression)
		require.NoError(t, err)
		_, err = w.Write([]byte(gather(t, list)))
		require.NoError(t, err)
		require.NoError(t, w.Close())
		require.NoError(t, os.WriteFile("licences.txt.gz", packed.Bytes(), 0o644))
		t.Log("gathered: run the test again without -rewrite")
		return
	}
	var shown strings.Builder
	require.NoError(t, licences.Write(&shown))
	for _, m := range list {
		title := m.path + " " + m.version
		_, after, found := strings.Cut(shown.String(), "\n"+title+"\n"+strings.Repeat("-", len(title))+"\n\n")
		if !assert.True(t, found, "%s has no licence here: gather them with go test ./internal/licences -rewrite", title) {
			continue
		}
		texts := textsOf(t, m.folder)
		require.NotEmpty(t, texts, "%s brings no text of its licence", title)
		assert.True(t, strings.HasPrefix(after, texts[0]), "the licence of %s is another one: gather them with go test ./internal/licences -rewrite", title)
	}
	assert.Contains(t, shown.String(), "The Go Authors")
}
