package main

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestCommandLine(t *testing.T) {
	stopped, cancel := context.WithCancel(t.Context())
	cancel()
	cases := []struct {
		name string
		args []string
		exit int
		says string
	}{
		{"an unknown fault", []string{"--faults", "flood"}, exitUsage, `there is no fault "flood"`},
		{"no room-year", []string{"--room-years", "0"}, exitUsage, "give at least one"},
		{"an unknown world", []string{"--world", "mild"}, exitUsage, "must be one of"},
		{"an unknown keeper", []string{"--keeper", "away"}, exitUsage, "must be one of"},
		{"an unknown goal", []string{"--require", "critical-missed,fame"}, exitUsage, `there is no goal "fame"`},
		{"an unknown flag", []string{"--years", "3"}, exitUsage, "unknown flag"},
		{"help", []string{"--help"}, exitDone, "--room-years"},
		{"stopped", []string{"--room-years", "1"}, exitMissed, "context canceled"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			var out, errs strings.Builder
			assert.Equal(t, c.exit, run(stopped, c.args, &out, &errs))
			assert.Contains(t, out.String()+errs.String(), c.says)
		})
	}
}
