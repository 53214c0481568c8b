package main

import (
	"github.com/alecthomas/kong"

	"dewline/internal/manual"
)

// manualCommand writes what a package installs beside the program.
type manualCommand struct {
	Form string `arg:"" optional:"" enum:"page,bash" default:"page" help:"The manual page for man(1), or the completion for bash."`
}

// Run writes it.
func (c *manualCommand) Run(parser *kong.Kong, s streams) error {
	if c.Form == "bash" {
		return manual.Bash(s.out, parser.Model)
	}
	return manual.Page(s.out, parser.Model, version)
}
