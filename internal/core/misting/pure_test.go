package misting_test

import (
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What lives below internal/core owns no file, socket, clock, chance or log.
func TestCoreDependsOnNothingThatBlocks(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "dewline/internal/core/...").Output()
	require.NoError(t, err)
	for dep := range strings.Lines(string(out)) {
		switch dep = strings.TrimSpace(dep); dep {
		case "net", "net/http", "database/sql", "os/exec", "log/slog", "math/rand", "math/rand/v2", "crypto/rand":
			t.Errorf("the core must stay pure but depends on %s", dep)
		default:
			if ours, ok := strings.CutPrefix(dep, "dewline/"); ok {
				assert.Contains(t, []string{"internal/core/misting", "internal/core/instant", "internal/core/psychro"}, ours)
			}
		}
	}
}
