package main

import (
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestCommandsAreThoseOfTheQuickStart(t *testing.T) {
	commands, err := readmeCommands("# x\n```\nmake demo\n```\n" + quickStart + "\n\nWords.\n\n```\nsudo apt install ./x.deb\n" +
		"sudo dewline init     # asks\n```\nMore.\n```\nsudo dewline alarm list\n```\n\n## Next\n```\nother\n```\n")
	require.NoError(t, err)
	assert.Equal(t, []string{"sudo apt install ./x.deb", "sudo dewline init", "sudo dewline alarm list"}, commands)

	_, err = readmeCommands("# x\n```\nmake demo\n```\n")
	assert.ErrorContains(t, err, quickStart)
}

// What is tried before a first alarm is what the README says, each step of it.
func TestReadmeHasEachStepOfAFirstAlarm(t *testing.T) {
	readme, err := os.ReadFile("../../../../README.md")
	require.NoError(t, err)
	commands, err := readmeCommands(string(readme))
	require.NoError(t, err)
	assert.Equal(t, []string{
		"sudo apt install ./dewline_*_arm64.deb", "sudo dewline init", "sudo dewline check --config /etc/dewline/site.yaml",
		"sudo systemctl enable --now dewline", "sudo dewline alarm test", "sudo dewline alarm list",
	}, commands)
}
