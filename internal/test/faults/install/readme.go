package main

import (
	"errors"
	"strings"
)

// quickStart is the heading of the README below which its commands for a bare board stand.
const quickStart = "## A first armed alarm on a bare board"

// readmeCommands returns the commands of the README's quick start in their order, without their remarks. The error says that there are none.
func readmeCommands(readme string) (commands []string, err error) {
	_, text, _ := strings.Cut(readme, "\n"+quickStart+"\n")
	text, _, _ = strings.Cut(text, "\n## ")
	inside := false
	for line := range strings.Lines(text) {
		line, _, _ = strings.Cut(strings.TrimSpace(line), "  #")
		line = strings.TrimSpace(line)
		switch {
		case strings.HasPrefix(line, "```"):
			inside = !inside
		case inside && line != "":
			commands = append(commands, line)
		}
	}
	if len(commands) == 0 {
		return nil, errors.New("README.md has no commands below " + quickStart)
	}
	return commands, nil
}
