package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"strings"

	"dewline/configs"
	"dewline/internal/config"
	"dewline/internal/core/care"
)

// profileCommand is about the care profiles that the program brings.
type profileCommand struct {
	List profileList `cmd:"" help:"List the care profiles that the program brings, or show what one says."`
	Copy profileCopy `cmd:"" help:"Write one of them to a file, to read it or to have numbers of your own."`
}

type profileList struct {
	Name string `arg:"" optional:"" help:"One of them: what it says about each stage, what to do and how often, with the sources."`
}

// Run lists them, or shows one.
func (c *profileList) Run(s streams) error {
	if c.Name != "" {
		profile, err := shippedProfile(c.Name)
		if err != nil {
			return err
		}
		return showProfile(s.out, profile)
	}
	for _, name := range configs.Profiles() {
		profile, err := shippedProfile(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(s.out, "%-32s %s\n", name, profile.Title)
	}
	return nil
}

func shippedProfile(name string) (*care.Profile, error) {
	text, shipped := configs.Profile(name)
	if !shipped {
		return nil, usageError{fmt.Errorf("%s", config.UnknownWord("care profile", name, configs.Profiles()))}
	}
	profile, problems := config.ParseProfile(name, text)
	return profile, problems.Err()
}

// showProfile writes what a profile says about each stage, apart from its limits, which check shows for a site.
func showProfile(w io.Writer, profile *care.Profile) error {
	b := &strings.Builder{}
	fmt.Fprintf(b, "%s\n\n%s\n", profile.Title, profile.Caution)
	for _, stage := range care.All() {
		needs, ok := profile.Care[stage]
		if !ok {
			continue
		}
		fmt.Fprintf(b, "\n%s", stage)
		if needs.Gosner != "" {
			fmt.Fprintf(b, " (Gosner %s)", needs.Gosner)
		}
		b.WriteString("\n")
		if lasts := needs.Lasts; lasts.For > 0 {
			fmt.Fprintf(b, "  It lasts %.3g days at %.3g °C: %s.\n", lasts.For.Hours()/24, lasts.At, lasts.Source)
		}
		for _, note := range needs.Notes {
			fmt.Fprintf(b, "  %s\n", note)
		}
		for i := range needs.Tasks {
			task := &needs.Tasks[i]
			fmt.Fprintf(b, "  - %s: %s\n    [%s]\n", task, task.Note, task.Source)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

type profileCopy struct {
	Name string `arg:"" help:"The profile."`
	File string `arg:"" optional:"" help:"The file to write, NAME.yaml if not given; it must not exist yet."`
}

// Run copies one.
func (c *profileCopy) Run(s streams) error {
	if _, err := shippedProfile(c.Name); err != nil {
		return err
	}
	text, _ := configs.Profile(c.Name)
	c.File = cmp.Or(c.File, c.Name+".yaml")
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
