package main

import (
	"fmt"
	"os"

	"dewline/configs"
	"dewline/internal/config"
)

// profileCommand is about the care profiles that the program brings.
type profileCommand struct {
	List profileList `cmd:"" help:"List the care profiles that the program brings."`
	Copy profileCopy `cmd:"" help:"Write one of them to a file, to read it or to have numbers of your own."`
}

type profileList struct{}

// Run lists them.
func (profileList) Run(s streams) error {
	for _, name := range configs.Profiles() {
		text, _ := configs.Profile(name)
		profile, problems := config.ParseProfile(name, text)
		if err := problems.Err(); err != nil {
			return err
		}
		fmt.Fprintf(s.out, "%-32s %s\n", name, profile.Title)
	}
	return nil
}

type profileCopy struct {
	Name string `arg:"" help:"The profile."`
	File string `arg:"" optional:"" help:"The file to write, NAME.yaml if not given; it must not exist yet."`
}

// Run copies one.
func (c *profileCopy) Run(s streams) error {
	text, shipped := configs.Profile(c.Name)
	if !shipped {
		return usageError{fmt.Errorf("%s", config.UnknownWord("care profile", c.Name, configs.Profiles()))}
	}
	if c.File == "" {
		c.File = c.Name + ".yaml"
	}
	file, err := os.OpenFile(c.File, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	defer file.Close()
	if _, err := file.Write(text); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "wrote %s: put this file's name under profiles in the configuration, in place of the plain name\n", c.File)
	return file.Close()
}
