package main

import (
	"fmt"

	"github.com/alecthomas/kong"

	"dewline/internal/config"
	"dewline/internal/deliver"
	"dewline/internal/deliver/webhook"
)

// helpCommand prints what is longer than the help of a verb.
type helpCommand struct {
	Topic string `arg:"" optional:"" enum:"config,mqtt,webhook,commands" default:"commands" help:"config (every key of a configuration and of a care profile), mqtt (the commands that are taken over MQTT), webhook (what a webhook is sent) or commands."`
}

// Run prints it.
func (c *helpCommand) Run(parser *kong.Kong, s streams) error {
	switch c.Topic {
	case "config":
		_, err := fmt.Fprint(s.out, config.Reference())
		return err
	case "mqtt":
		_, err := fmt.Fprint(s.out, deliver.Reference())
		return err
	case "webhook":
		_, err := fmt.Fprint(s.out, webhook.Reference())
		return err
	}
	_, _ = parser.Parse([]string{"--help"}) // which prints, and complains of the verb that is not there
	return nil
}
