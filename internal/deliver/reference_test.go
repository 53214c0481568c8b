package deliver

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestEveryCommandIsDescribed(t *testing.T) {
	text := Reference()
	for verb, form := range forms {
		require.NotEmpty(t, does[verb], verb)
		require.Contains(t, text, "command/"+string(verb))
		for _, name := range append(form.required, form.optional...) {
			require.NotEmpty(t, members[name], "%s of %s", name, verb)
		}
	}
}
