package config

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestYAMLThatIsRefused compares the messages on the traps of YAML. None of them may reach the model, end the program or keep it
// busy.
func TestYAMLThatIsRefused(t *testing.T) {
	bomb := "a: &a [x, x, x, x, x, x, x, x, x, x]\n"
	for c := 'b'; c <= 'g'; c++ {
		bomb += fmt.Sprintf("%c: &%[1]c [%s]\n", c, strings.TrimSuffix(strings.Repeat("*"+string(c-1)+", ", 10), ", "))
	}
	cases := []struct{ name, text, expected string }{
		{"nothing", "", "1:1: the file is empty"},
		{"only a comment", "# nothing\n", "1:1: the file is empty"},
		{"only null", "~\n", "1:1: the configuration is empty"},
		{"a list", "- a\n", "1:1: a mapping is wanted here, and this is a list"},
		{"a word", "hello\n", "1:1: a mapping is wanted here, and this is a single value"},
		{"a key twice", "site: a\nweb: {}\nsite: b\n", "3:1: key \"site\" is given twice: it is first given in line 1"},
		{"a key twice in braces", "web: {listen: a, listen: b}\n", "1:18: key \"listen\" is given twice: it is first given in line 1"},
		{"a tab", "web:\n\tlisten: x\n", "2:1: a tab indents this line: use spaces"},
		{"a tab after spaces", "web:\n  \tlisten: x\n", "2:3: a tab indents this line: use spaces"},
		{"a byte order mark inside", "site: a\n\ufeffweb: {}\n", "2:1: a byte order mark (U+FEFF) in the middle of the file: delete it"},
		{"NUL", "site: a\x00b\n", "1:8: a control character (U+0000): delete it"},
		{"an escape sequence", "site: \x1b[31mred\n", "1:7: a control character (U+001B): delete it"},
		{"a C1 control", "site: a\u0085b\n", "1:8: a control character (U+0085): delete it"},
		{"Latin-1", "site: caf\xe9\n", "1:10: the file is not UTF-8 text here"},
		{"half a character", "site: \xe2\x82\n", "1:7: the file is not UTF-8 text here"},
		{"a lone carriage return", "site: a\rweb: {}\n", "1:8: a carriage return without a line feed: save the file with Unix or Windows line ends"},
		{"two documents", "site: a\n---\nsite: b\n", "2:1: a second document begins here: one file holds one document"},
		{"a tag", "site: !!python/object:os.system x\n", "1:7: a YAML tag (!…) has no use here: delete it"},
		{"a complex key", "? [a]\n: b\n", "1:1: a key marked with ? has no use here: write key: value"},
		{"a list as a key", "[a]: b\n", "1:4: not readable as YAML: found an invalid key for this map"},
		{"an alias as a key", "site: &a b\n*a : c\n", "2:1: a key must be a plain word"},
		{"an unknown alias", "site: *a\n", `1:7: alias "*a" has no anchor before it`},
		{"an alias before its anchor", "web: *a\nsite: &a b\n", `1:6: alias "*a" has no anchor before it`},
		{"an anchor inside itself", "web: &a {listen: *a}\n", `1:18: alias "*a" has no anchor before it`},
		{"a merge of a word", "web: {<<: x}\n", "1:11: << takes a mapping, and this is a single value"},
		{"a merge of a list of words", "web: {<<: [x]}\n", "1:12: << takes a mapping, and this is a single value"},
		{"an open bracket", "site: [a\n", "1:7: not readable as YAML: sequence end token ']' not found"},
		{"an open quote", "site: 'a\n", "1:7: not readable as YAML: could not find end character of single-quoted text"},
		{"aliases that grow without bound", bomb, "5:12: the aliases of this file stand for more than 20000 values"},
		{"deep brackets", "a: " + strings.Repeat("[", 100_000), "1:36: nested more than 32 levels deep"},
		{"deep braces", strings.Repeat("{a: ", 100_000), "1:129: nested more than 32 levels deep"},
		{"deep dashes", strings.Repeat("- ", 100_000), "1:65: nested more than 32 levels deep"},
		{"deep indentation", func() string {
			var b strings.Builder
			for i := range 500 {
				fmt.Fprintf(&b, "%sa:\n", strings.Repeat(" ", i))
			}
			return b.String()
		}(), "34:34: nested more than 32 levels deep"},
		{"too much", "site: " + strings.Repeat("x", 1<<20), "1:1: the file has more than 1048576 bytes, which are not read"},
		{"too many words", "site: [" + strings.Repeat("x,", 200_000) + "]", "1:200005: the file has more than 200000 words and signs"},
		{"too many blank lines", "site: |\n" + strings.Repeat("\n", 200_000), "102:1: more than 100 blank lines in a row"},
		{"a sheet of spaces", "site: |\n" + strings.Repeat("  \n", 200_000), "102:1: more than 100 blank lines in a row"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			_, problems := LoadFS(filesOf(t, c.text), "site.yaml")
			require.NotEmpty(t, problems)
			assert.Equal(t, "site.yaml:"+c.expected, problems[0].String())
			assertWithin(t, c.text, problems)

			_, problems = ParseProfile("profile.yaml", []byte(c.text))
			require.Error(t, problems.Err())
		})
	}
}

// TestYAMLThatIsTaken: harmless habits of editors and people.
func TestYAMLThatIsTaken(t *testing.T) {
	for name, text := range map[string]string{
		"a byte order mark in front": "\ufeff" + basis,
		"Windows line ends":          strings.ReplaceAll(basis, "\n", "\r\n"),
		"a directive":                "%YAML 1.2\n---\n" + basis,
		"an end mark":                "---\n" + basis + "...\n",
		"tabs before nothing":        basis + "\t\t\n \t\n",
		"tabs before a comment":      "\t # remark\n" + basis + "\t\t\n\t# remark\n",
		"no final line end":          strings.TrimSuffix(basis, "\n"),
		"quotes everywhere":          strings.ReplaceAll(basis, "site: north-loft", `"site": 'north-loft'`),
	} {
		t.Run(name, func(t *testing.T) {
			site, problems := LoadFS(filesOf(t, text), "site.yaml")
			require.NoError(t, problems.Err())
			assert.Equal(t, "north-loft", site.ID)
			assert.Len(t, site.Sensors, 2)
		})
	}
}

// TestMistakeUnderAnAnchorIsReportedOnce: aliases lead to the same text.
func TestMistakeUnderAnAnchorIsReportedOnce(t *testing.T) {
	text := strings.Replace(basis, "{id: loft, kind: room}", "{id: loft, kind: room, bands: {air-temperature: &b {high: 25}, dew-point: *b}}", 1)
	_, problems := LoadFS(filesOf(t, text), "site.yaml")
	assert.Equal(t, `site.yaml:6:63: "25" needs a unit, such as "25 °C"`, problems.String())
}

// TestColumnsCountRunes: "°" and "é" are one column each, as editors count.
func TestColumnsCountRunes(t *testing.T) {
	text := strings.Replace(basis, "{id: loft, kind: room}", "{id: loft, title: \"é°–\", kind: attic}", 1)
	_, problems := LoadFS(filesOf(t, text), "site.yaml")
	require.NotEmpty(t, problems)
	assert.Equal(t, "6 attic unknown kind of place \"attic\": known here are room, enclosure", withWord(text, problems[0]))
}

// assertWithin holds every position inside the text.
func assertWithin(t testing.TB, text string, problems Problems) {
	t.Helper()
	lines := strings.Split(text, "\n")
	for _, p := range problems {
		if p.Line < 1 || p.Line > len(lines) {
			t.Fatalf("%s lies outside the %d lines of the file", p, len(lines))
		}
		if p.Column < 1 || p.Column > len([]rune(lines[p.Line-1]))+1 {
			t.Fatalf("%s lies outside its line", p)
		}
		if p.Message == "" || strings.ContainsAny(p.Message, "\n\r\x00\x1b") {
			t.Fatalf("message %q is not one readable line", p.Message)
		}
	}
}
