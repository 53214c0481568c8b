package strictjson_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/format/strictjson"
)

func TestObjectKeepsOrderAndExactNames(t *testing.T) {
	members, err := strictjson.Object([]byte(` {"b": 1, "B": [2], "a": {"x": null}} `))
	require.NoError(t, err)
	require.Len(t, members, 3)
	assert.Equal(t, "b", members[0].Name)
	assert.Equal(t, "B", members[1].Name)
	assert.JSONEq(t, `{"x":null}`, string(members[2].Value))
}

func TestObjectRefuses(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"nothing", ``, "ends too early"},
		{"a list", `[]`, "an object"},
		{"a number", `7`, "an object"},
		{"a name twice (RFC 7493 section 2.3)", `{"a":1,"a":2}`, `"a" appears twice`},
		{"the same name escaped", `{"a":1,"\u0061":2}`, `"a" appears twice`},
		{"a tail", `{} {}`, "follows"},
		{"an open end", `{"a":1`, "ends too early"},
		{"an open value", `{"a":[1`, "ends too early"},
		{"a trailing comma", `{"a":1,}`, "not JSON"},
		{"not a number", `{"a":NaN}`, "not JSON"},
		{"bytes that are not UTF-8 (RFC 7493 section 2.1)", "{\"a\":\"\xff\"}", "UTF-8"},
	} {
		t.Run(c.name, func(t *testing.T) {
			members, err := strictjson.Object([]byte(c.text))
			require.ErrorContains(t, err, c.want)
			assert.Nil(t, members)
		})
	}
}

// FuzzObject: whatever is taken apart is JSON for the standard library too, with the same number of members.
func FuzzObject(f *testing.F) {
	for _, seed := range []string{`{}`, `{"a":1,"b":[{}]}`, `{"a":1,"a":1}`, `{"a":"\ud800"}`, `{"a"`, `nul`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		members, err := strictjson.Object(data)
		if err != nil {
			require.Nil(t, members)
			return
		}
		var plain map[string]json.RawMessage
		require.NoError(t, json.Unmarshal(data, &plain))
		require.Len(t, plain, len(members))
		for _, m := range members {
			require.JSONEq(t, string(plain[m.Name]), string(m.Value))
		}
	})
}
