package jsonpointer_test

import (
	"encoding/json"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/format/jsonpointer"
)

// section5 is the document of RFC 6901 section 5.
const section5 = `{
	"foo": ["bar", "baz"],
	"": 0,
	"a/b": 1,
	"c%d": 2,
	"e^f": 3,
	"g|h": 4,
	"i\\j": 5,
	"k\"l": 6,
	" ": 7,
	"m~n": 8
}`

func TestVectorsOfRFC6901Section5(t *testing.T) {
	document, err := jsonpointer.Decode([]byte(section5))
	require.NoError(t, err)
	for _, c := range []struct {
		pointer string
		want    any
	}{
		{"", document},
		{"/foo", []any{"bar", "baz"}},
		{"/foo/0", "bar"},
		{"/", json.Number("0")},
		{"/a~1b", json.Number("1")},
		{"/c%d", json.Number("2")},
		{"/e^f", json.Number("3")},
		{"/g|h", json.Number("4")},
		{`/i\j`, json.Number("5")},
		{`/k"l`, json.Number("6")},
		{"/ ", json.Number("7")},
		{"/m~0n", json.Number("8")},
	} {
		pointer, err := jsonpointer.Parse(c.pointer)
		require.NoError(t, err)
		got, err := pointer.Find(document)
		require.NoError(t, err, c.pointer)
		assert.Equal(t, c.want, got, c.pointer)
		assert.Equal(t, c.pointer, pointer.String())
	}
}

func TestWhatIsNotThere(t *testing.T) {
	document, err := jsonpointer.Decode([]byte(section5))
	require.NoError(t, err)
	for _, c := range []struct{ pointer, want string }{
		{"/FOO", "no such value at /FOO: the object has no such member"},
		{"/foo/2", "no such value at /foo/2: the list has 2 elements"},
		{"/foo/-", "no such value at /foo/-: - names the element after the last one"}, // RFC 6901 section 4
		{"/foo/00", `no such value at /foo/00: "00" is not an index of a list`},       // leading zero, section 4
		{"/foo/+1", `no such value at /foo/+1: "+1" is not an index of a list`},
		{"/foo/99999999999999999999", `no such value at /foo/99999999999999999999: index "99999999999999999999" is too large`},
		{"/foo/0/x", "no such value at /foo/0/x: there is nothing below a single value"},
	} {
		pointer, err := jsonpointer.Parse(c.pointer)
		require.NoError(t, err)
		_, err = pointer.Find(document)
		require.ErrorIs(t, err, jsonpointer.ErrMissing)
		assert.EqualError(t, err, c.want)
	}
}

func TestWhatIsNoPointer(t *testing.T) {
	for _, text := range []string{"foo", "#/foo", "/a~", "/a~2b", "/~~0"} {
		_, err := jsonpointer.Parse(text)
		require.Error(t, err, text)
	}
	escaped, err := jsonpointer.Parse("/~01")
	require.NoError(t, err)
	value, err := escaped.Find(map[string]any{"~1": "found", "/": "wrong"})
	require.NoError(t, err)
	assert.Equal(t, "found", value, "~01 is ~1, not / (RFC 6901 section 4)")
}

func TestDecodeTakesOneTextOnly(t *testing.T) {
	for _, text := range []string{"", "{", "1 2", "{}x", "NaN"} {
		_, err := jsonpointer.Decode([]byte(text))
		require.ErrorContains(t, err, "not JSON", text)
	}
}

// TestEveryValueIsFound walks random documents: the pointer made of the steps down finds exactly that value again.
func TestEveryValueIsFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		document := anyJSON(t, 3)
		walk(document, jsonpointer.Pointer{}, func(p jsonpointer.Pointer, want any) {
			parsed, err := jsonpointer.Parse(p.String())
			require.NoError(t, err)
			got, err := parsed.Find(document)
			require.NoError(t, err)
			require.Equal(t, want, got, p.String())
		})
	})
}

func anyJSON(t *rapid.T, depth int) any {
	kinds := 2
	if depth > 0 {
		kinds = 4
	}
	switch rapid.IntRange(1, kinds).Draw(t, "kind") {
	case 1:
		return json.Number(strconv.Itoa(rapid.Int().Draw(t, "number")))
	case 2:
		return rapid.String().Draw(t, "text")
	case 3:
		list := make([]any, rapid.IntRange(0, 3).Draw(t, "length"))
		for i := range list {
			list[i] = anyJSON(t, depth-1)
		}
		return list
	}
	object := map[string]any{}
	for range rapid.IntRange(0, 3).Draw(t, "members") {
		name := rapid.StringOf(rapid.RuneFrom([]rune("~/01a \"\\é"))).Draw(t, "name")
		object[name] = anyJSON(t, depth-1)
	}
	return object
}

func walk(value any, at jsonpointer.Pointer, visit func(jsonpointer.Pointer, any)) {
	visit(at, value)
	switch v := value.(type) {
	case map[string]any:
		for name, below := range v {
			walk(below, at.Child(name), visit)
		}
	case []any:
		for i, below := range v {
			walk(below, at.Child(strconv.Itoa(i)), visit)
		}
	}
}

// FuzzPointer: what parses prints back byte for byte, and finding never panics.
func FuzzPointer(f *testing.F) {
	for _, pointer := range []string{"", "/", "/foo/0", "/a~1b", "/m~0n", "/foo/-", "/~01", "x", "/~"} {
		f.Add(pointer, section5)
	}
	f.Add("/0/0/0", "[[[]]]")
	f.Fuzz(func(t *testing.T, text, document string) {
		pointer, err := jsonpointer.Parse(text)
		if err != nil {
			require.Equal(t, jsonpointer.Pointer{}, pointer)
			return
		}
		require.Equal(t, text, pointer.String())
		decoded, err := jsonpointer.Decode([]byte(document))
		if err != nil {
			require.Nil(t, decoded)
			return
		}
		value, err := pointer.Find(decoded)
		if err != nil {
			require.ErrorIs(t, err, jsonpointer.ErrMissing)
			require.Nil(t, value)
		}
	})
}
