package store

import (
	"os/exec"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The store knows the vocabulary and the database, and no notifier and no server.
func TestStoreDependsOnNoNetwork(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", ".").Output()
	require.NoError(t, err)
	deps := strings.Fields(string(out))
	for _, dep := range deps {
		assert.NotContains(t, dep, "mqtt")
		assert.NotContains(t, []string{"net/http", "crypto/tls"}, dep)
	}
	ours := slices.DeleteFunc(deps, func(dep string) bool { return !strings.HasPrefix(dep, "dewline/") })
	for _, dep := range ours {
		assert.Contains(t, []string{"store", "core/instant", "core/isa", "core/journal", "core/quantity", "deliver/queue", "format/plainjson", "merge"}, strings.TrimPrefix(dep, "dewline/internal/"))
	}
}

// No part of the store grows into an object that knows everything.
func TestPartsAreSmall(t *testing.T) {
	for _, part := range []any{&Store{}, &file{}, &chunkMemory{}, &readingQueries{}, &pruner{}, &pendingJournal{}, &outbox{}, &progressNotes{}, &Queue{}, &aggregator{}} {
		assert.LessOrEqual(t, reflect.TypeOf(part).Elem().NumField(), 15, "%T", part)
	}
}
