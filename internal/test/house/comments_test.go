package house

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

func texts(comments []Comment) (all []string) {
	for _, c := range comments {
		all = append(all, strings.TrimSpace(c.Text))
	}
	return all
}

func TestCommentsOfGo(t *testing.T) {
	source := "// Package x.\npackage x\n\nconst a = \"// no comment\" // one\nconst b = `\n// none either\n`\n/* two\nlines */\nvar c = '\"' // three\n"
	got := Comments("x.go", []byte(source))
	assert.Equal(t, []string{"Package x.", "one", "two\nlines", "three"}, texts(got))
	assert.Equal(t, []int{1, 4, 8, 10}, []int{got[0].Line, got[1].Line, got[2].Line, got[3].Line})
}

func TestCommentsOfTypeScript(t *testing.T) {
	for _, c := range []struct {
		name, source string
		want         []string
	}{
		{"strings", `const a = "// no"; const b = '/* no */'; // yes`, []string{"yes"}},
		{"escaped quotes", `const a = "\"// no"; // yes`, []string{"yes"}},
		{"a template", "const a = `// no ${b + `// no`} // no`; // yes", []string{"yes"}},
		{"a comment inside of a template", "const a = `x ${b /* yes */} // no`;", []string{"yes"}},
		{"braces inside of a template", "const a = `${f({ x: 1 })} // no`; // yes", []string{"yes"}},
		{"a regular expression", `const a = b.replace(/["'/]/g, ""); // yes`, []string{"yes"}},
		{"an escaped slash", `const a = /\//; // yes`, []string{"yes"}},
		{"a division", `const a = b / c; // yes / and yes`, []string{"yes / and yes"}},
		{"two lines", "/* one\n two */ a();\n// three", []string{"one\n two", "three"}},
		{"no end", `/* open`, []string{"open"}},
		{"none", ``, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.Equal(t, c.want, texts(Comments("x.ts", []byte(c.source))))
		})
	}
	got := Comments("x.ts", []byte("`a\nb`;\n// here"))
	assert.Equal(t, []Comment{{3, " here"}}, got)
}

func TestCountWords(t *testing.T) {
	for _, c := range []struct {
		text string
		want Count
	}{
		{"", Count{}},
		{"It tells the time, and told it; telling Tell.", Count{Words: 9, Tell: 4}},
		{"Nobody stands, somebody's car lacks fuel; whoever starts anew", Count{Words: 9, People: 6}},
		{"teller, understands, outstanding, retold 4 µs", Count{Words: 5}},
	} {
		assert.Equal(t, c.want, CountWords(c.text), c.text)
	}
	tell, people := Count{Words: 2000, Tell: 1, People: 3}.PerThousand()
	assert.InDelta(t, 0.5, tell, 1e-12)
	assert.InDelta(t, 1.5, people, 1e-12)
	tell, people = Count{}.PerThousand()
	assert.Zero(t, tell)
	assert.Zero(t, people)
	assert.Equal(t, Count{11, 22, 33}, Count{1, 2, 3}.Plus(Count{10, 20, 30}))
}

// For any bytes, reading ends, each comment is a part of the source, and together they are no longer than it.
func FuzzCommentsOfTypeScript(f *testing.F) {
	for _, seed := range []string{"// a", "/* a */ `${`${1}`}` /x/ 'y", "a / b // c", "`${{}}`", "}`"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, source string) {
		length := 0
		for _, c := range Comments("x.ts", []byte(source)) {
			length += len(c.Text)
			assert.Contains(t, source, c.Text)
			assert.LessOrEqual(t, c.Line, 1+strings.Count(source, "\n"))
		}
		assert.LessOrEqual(t, length, len(source))
	})
}
