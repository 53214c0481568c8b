package main

import (
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// dependencies lists the packages that are linked into the program.
func dependencies(t *testing.T, flags ...string) []string {
	t.Helper()
	out, err := exec.Command("go", append(append([]string{"list", "-deps"}, flags...), "dewline/cmd/dewline")...).Output()
	require.NoError(t, err)
	return strings.Fields(string(out))
}

// TestNothingOfTheTestsIsLinked: what only tests use is in no program that a keeper runs.
func TestNothingOfTheTestsIsLinked(t *testing.T) {
	linked := dependencies(t)
	assert.Contains(t, linked, "dewline/internal/daemon")
	for _, dep := range linked {
		assert.False(t, strings.HasPrefix(dep, "dewline/internal/test/"), dep)
		assert.NotContains(t, []string{"testing", "github.com/stretchr/testify/require", "pgregory.net/rapid"}, dep)
	}
	assert.Contains(t, dependencies(t, "-tags", "harness"), "dewline/internal/test/clockfile", "which the tag adds")
}
