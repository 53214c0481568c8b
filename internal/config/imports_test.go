package config

import (
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestConfigBuildsNothing: a configuration is a checked model. Apart from the table of the drivers, nothing that runs on it is linked here.
func TestConfigBuildsNothing(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", ".").Output()
	require.NoError(t, err)
	deps := strings.Fields(string(out))
	require.Contains(t, deps, "dewline/internal/core/care")
	// Of the core only its vocabulary: no fold, no rule, no physics.
	vocabulary := []string{"instant", "quantity", "care", "cohort", "residence", "isa", "journal", "quality", "misting/schedule", "today"}
	for _, dep := range deps {
		if part, ok := strings.CutPrefix(dep, "dewline/internal/core/"); ok {
			assert.Contains(t, vocabulary, part)
		}
		for _, other := range []string{"source/", "store", "daemon", "mqtt", "server/", "assemble"} {
			assert.False(t, strings.HasPrefix(dep, "dewline/internal/"+other), dep)
		}
		assert.NotContains(t, dep, "paho")
	}
}
