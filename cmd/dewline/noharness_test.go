//go:build !harness

package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestTheClockIsTheMachines: a program that is built without the tag harness takes neither another clock nor another kernel tree.
func TestTheClockIsTheMachines(t *testing.T) {
	for _, flag := range []string{"--root", "--clock"} {
		command, errors := program(t.Context(), t, "run", "--config=../../configs/first-alarm.yaml", "--for=1ms", flag+"=/")
		require.Error(t, command.Run())
		assert.Contains(t, errors.String(), "unknown flag "+flag)
	}
}
