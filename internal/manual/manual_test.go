package manual

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// loft is a command line with everything that a page has to cope with.
type loft struct {
	Look struct {
		Config string `required:"" placeholder:"FILE" help:"The configuration."`
		Format string `enum:"text,json" default:"text" help:".starts with a dot and has a back\\slash"`
		All    bool   `help:"All of it."`
		Secret string `hidden:"" help:"Not for the page."`
	} `cmd:"" help:"Look at a tub."`
	Alarm struct {
		Shelve struct {
			Alarm string `arg:"" help:"Its name."`
		} `cmd:"" help:"Silence it."`
	} `cmd:"" help:"Alarms."`
	Inner struct{} `cmd:"" hidden:"" help:"Not for the page."`
}

func model(t *testing.T) *kong.Application {
	t.Helper()
	var cli loft
	parser, err := kong.New(&cli, kong.Name("loft"), kong.Description("Looks at tubs."))
	require.NoError(t, err)
	return parser.Model
}

func TestPageNamesEveryVerbAndFlag(t *testing.T) {
	var page strings.Builder
	require.NoError(t, Page(&page, model(t), "1.2.3"))
	for _, want := range []string{".TH LOFT 1", `loft look`, `\-\-config\fR=FILE`, "Required.", `loft alarm shelve <alarm>`, `\-\-all`, `\&.starts with a dot and has a back\eslash`} {
		assert.Contains(t, page.String(), want)
	}
	assert.NotContains(t, page.String(), "Not for the page")
	assert.NotContains(t, page.String(), "secret")
	for line := range strings.Lines(page.String()) {
		if strings.HasPrefix(line, ".") {
			request, _, _ := strings.Cut(strings.TrimSpace(line), " ")
			assert.Contains(t, []string{".TH", ".SH", ".SS", ".TP", ".PP", ".B", ".I", ".BR"}, request)
		}
	}
}

// A shell asks the completion, as it would at the key.
func TestBashCompletes(t *testing.T) {
	var script strings.Builder
	require.NoError(t, Bash(&script, model(t)))
	path := filepath.Join(t.TempDir(), "loft")
	require.NoError(t, os.WriteFile(path, []byte(script.String()), 0o600))
	for _, c := range []struct {
		typed []string
		want  string
	}{
		{[]string{""}, "look alarm --help"},
		{[]string{"al"}, "alarm"},
		{[]string{"alarm", ""}, "shelve --help"},
		{[]string{"look", "--"}, "--config --format --all --help"},
		{[]string{"look", "--format", ""}, "text json"},
		{[]string{"look", "--config", ""}, ""}, // the name of a file
		{[]string{"inn"}, ""},
	} {
		words := append([]string{"-c", `. "$0"; COMP_WORDS=(loft "$@"); COMP_CWORD=$#; _loft; echo "${COMPREPLY[*]}"`, path}, c.typed...)
		output, err := exec.CommandContext(t.Context(), "bash", words...).CombinedOutput()
		require.NoError(t, err, "%s", output)
		assert.Equal(t, c.want, strings.TrimSpace(string(output)), "%q", c.typed)
	}
}
