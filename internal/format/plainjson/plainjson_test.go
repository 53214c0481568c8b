package plainjson

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestNothingIsEscapedForHTML(t *testing.T) {
	text, err := Of(map[string]string{"text": "RH < 80 % & falling"})
	require.NoError(t, err)
	assert.Equal(t, `{"text":"RH < 80 % & falling"}`, string(text))
	_, err = Of(math.NaN())
	assert.Error(t, err)
}

// What is written is what encoding/json writes, apart from the escapes.
func TestEveryTextComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.String().Draw(t, "text")
		text, err := Of(want)
		require.NoError(t, err)
		var got, usual string
		require.NoError(t, json.Unmarshal(text, &got))
		marshalled, err := json.Marshal(want)
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(marshalled, &usual))
		require.Equal(t, usual, got)
	})
}
