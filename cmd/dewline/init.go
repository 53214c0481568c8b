package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewline/configs"
	"dewline/internal/config"
	"dewline/internal/core/care"
	"dewline/internal/deliver/httpx"
	"dewline/internal/probe"
	"dewline/internal/setup"
	"dewline/internal/timezone"
	"dewline/sensors/i2cbus"
)

// serviceConfig is what dewline.service reads.
const serviceConfig = "/etc/dewline/site.yaml"

// pushFile holds the address of the keeper's push service, beside the configuration.
const pushFile = "phone.url"

// initCommand writes the first configuration.
type initCommand struct {
	Config      string            `default:"${service_config}" placeholder:"FILE" help:"The configuration to write; it must not exist yet."`
	Site        string            `placeholder:"ID" help:"A name for the whole installation, such as north-loft."`
	Timezone    string            `placeholder:"ZONE" help:"An IANA name such as Europe/Lisbon; the machine's own if not given."`
	Temperature string            `enum:"celsius,fahrenheit," default:"" help:"The unit that you read: celsius or fahrenheit."`
	Room        string            `placeholder:"ID" help:"The room around all the places."`
	Place       []string          `placeholder:"ID" help:"A tub, tank or vivarium. May be given several times."`
	Cohort      []string          `placeholder:"ID=PLACE:PROFILE:STAGE" help:"Who lives where, such as a-2026=tub-1:tropical-forest-floor:larva. May be given several times."`
	Sensor      map[string]string `placeholder:"SENSOR=PLACE" help:"What a sensor measures, by its address or id of dewline probe. With one place, all sensors are there."`
	URLFile     string            `name:"url-file" placeholder:"FILE" help:"The file with the address of your push service, relative to the configuration."`
	Ask         bool              `help:"Ask for what the flags leave open, also where this is no terminal."`
	Root        string            `default:"/" hidden:"" help:"Where sys and dev are."`
}

// Run looks for sensors, asks, and writes the file.
func (c *initCommand) Run(ctx context.Context, s streams) error {
	if _, err := os.Lstat(c.Config); err == nil {
		return fmt.Errorf("%s exists already and stays as it is: name another file with --config", c.Config)
	}
	var questions *questions
	if c.Ask || isTerminal(os.Stdin) && s.terminal {
		questions = askAt(os.Stdin, s.err)
	} else if c.Site == "" || len(c.Place) == 0 {
		return usageError{fmt.Errorf("--site and at least one --place are needed where nobody can be asked: see dewline init --help")}
	}
	buses := i2cbus.NewSet(c.Root)
	defer buses.Close()
	fmt.Fprintln(s.err, "looking for sensors; each is read once")
	found := probe.Run(ctx, probe.Options{Sys: filepath.Join(c.Root, "sys"), I2C: buses})
	for _, d := range found.Devices {
		fmt.Fprintf(s.err, "  found %s\n", d.Summary())
	}
	printEach(s.err, "", found.Advice())
	answers, err := c.answers(questions, found)
	if err != nil {
		return err
	}
	problems, err := setup.Create(c.Config, answers, found)
	printEach(s.err, "", problems)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "wrote %s\n", c.Config)
	for _, d := range found.Devices {
		if d.Driver != "" && d.Driver != "board" && answers.Place(d) == "" {
			fmt.Fprintf(s.err, "%s has no place yet: its lines are comments in the file. Warm it in your hand and look with dewline probe --watch\n", d.ID)
		}
	}
	if c.Config == serviceConfig {
		fmt.Fprintln(s.err, "read it, then: sudo dewline check --config "+c.Config)
		fmt.Fprintln(s.err, "and: sudo systemctl enable --now dewline")
	} else {
		fmt.Fprintln(s.err, "read it, then: dewline check --config "+c.Config)
	}
	return nil
}

// answers takes the flags, and asks for what they leave open.
func (c *initCommand) answers(q *questions, found probe.Result) (setup.Answers, error) {
	a := setup.Answers{
		Site: c.Site, Timezone: c.Timezone, Fahrenheit: c.Temperature == "fahrenheit", Room: c.Room, Places: c.Place,
		Sensors: c.Sensor, URLFile: c.URLFile,
	}
	if a.Timezone == "" {
		a.Timezone = localZone(c.Root)
	}
	today := time.Now()
	for _, text := range c.Cohort {
		cohort, err := setup.ParseCohort(text, today)
		if err != nil {
			return a, usageError{fmt.Errorf("--cohort: %w", err)}
		}
		a.Cohorts = append(a.Cohorts, cohort)
	}
	if q == nil {
		return a, nil
	}
	if a.Site == "" {
		a.Site = q.valid("A name for the whole installation", "home", config.CheckID)
	}
	if c.Timezone == "" {
		a.Timezone = q.valid("Your time zone", a.Timezone, knownZone)
	}
	if c.Temperature == "" {
		a.Fahrenheit = config.Scale(q.valid("Which degrees do you read (celsius, fahrenheit)", "celsius", knownScale)) == "fahrenheit"
	}
	if len(a.Places) == 0 {
		if a.Room == "" {
			a.Room = q.valid("The room, or nothing", "", config.CheckID)
		}
		a.Places = ids(q.valid("Its tubs, tanks and vivaria, with spaces between", "tub-1", func(text string) (err error) {
			for _, id := range ids(text) {
				err = errors.Join(err, config.CheckID(id))
			}
			return err
		}))
	}
	if len(a.Cohorts) == 0 {
		for _, place := range a.Places {
			id := q.valid("Who lives in "+place+", such as a-2026, or nothing", "", config.CheckID)
			if id == "" {
				continue
			}
			profile := q.choice("Which care profile is theirs", "", configs.Profiles())
			at, err := care.Parse(q.choice("At which stage are they", "", stageNames()))
			if err != nil {
				return a, err
			}
			a.Cohorts = append(a.Cohorts, setup.Cohort{ID: id, Place: place, Profile: profile, Stage: at, Since: today})
		}
	}
	if len(a.Sensors) == 0 && (len(a.Places) > 1 || a.Room != "") {
		a.Sensors = map[string]string{}
		places := slices.DeleteFunc(append(slices.Clone(a.Places), a.Room), func(p string) bool { return p == "" })
		for _, d := range found.Devices {
			if d.Driver == "" || d.Driver == "board" {
				continue
			}
			if place := q.word(fmt.Sprintf("Where is %s (%s), or nothing", d.Summary(), strings.Join(places, ", ")), ""); place != "" {
				a.Sensors[d.ID] = place
			}
		}
	}
	if a.URLFile == "" {
		path := filepath.Join(filepath.Dir(c.Config), pushFile)
		if _, err := os.Stat(path); err == nil {
			fmt.Fprintf(q.out, "%s is there already: its address gets the alarms\n", path)
			a.URLFile = pushFile
		} else if url := q.valid("The address of your push service, or nothing", "", webAddress); url != "" {
			a.URLFile = pushFile
			if err := setup.WriteSecret(path, url); err != nil {
				return a, err
			}
		}
	}
	return a, q.err
}

// localZone is the time zone of the machine, or UTC where it does not name one.
func localZone(root string) string {
	link, err := os.Readlink(filepath.Join(root, "etc/localtime"))
	if err != nil {
		return "UTC"
	}
	if _, zone, ok := strings.Cut(link, "zoneinfo/"); ok {
		if _, err := timezone.Load(zone); err == nil {
			return zone
		}
	}
	return "UTC"
}

// questions asks a person. After the end of the input every answer is the usual one, and err says so.
type questions struct {
	in  *bufio.Scanner
	out io.Writer
	err error
}

func askAt(in io.Reader, out io.Writer) *questions {
	return &questions{in: bufio.NewScanner(in), out: out}
}

// word asks for a text.
func (q *questions) word(question, usual string) string {
	if usual != "" {
		question += " [" + usual + "]"
	}
	fmt.Fprint(q.out, question+": ")
	if !q.in.Scan() {
		if q.err == nil {
			q.err = fmt.Errorf("the answers end before the question %q; nothing was written", question)
		}
		return usual
	}
	if answer := strings.TrimSpace(q.in.Text()); answer != "" {
		return answer
	}
	return usual
}

// valid asks for a text, again until it passes the check. No answer where there is no usual one means nothing, and passes.
func (q *questions) valid(question, usual string, check func(string) error) string {
	for {
		answer := q.word(question, usual)
		if answer == "" || q.err != nil {
			return answer
		}
		err := check(answer)
		if err == nil {
			return answer
		}
		fmt.Fprintln(q.out, err)
	}
}

// ids splits a list that was typed.
func ids(text string) []string { return strings.Fields(strings.ReplaceAll(text, ",", " ")) }

// knownZone returns an error unless a time zone is known.
func knownZone(name string) error {
	_, err := config.Timezone(name)
	return err
}

// knownScale returns an error unless a word is one for a scale of temperatures.
func knownScale(text string) error {
	scales := []string{"celsius", "fahrenheit"}
	if !slices.Contains(scales, config.Scale(text)) {
		return errors.New(config.UnknownWord("scale", text, scales))
	}
	return nil
}

// webAddress returns an error unless a text is the address of a service on the web.
func webAddress(text string) error {
	_, err := httpx.Address{URL: text}.Get()
	return err
}

// choice asks for one of several words, again until it is one of them. Where usual is "" an empty answer is none: whose limits hold is
// not left to a key that was pressed too early.
func (q *questions) choice(question, usual string, of []string) string {
	for {
		answer := q.word(question+" ("+strings.Join(of, ", ")+")", usual)
		if slices.Contains(of, answer) || q.err != nil {
			return answer
		}
		if answer == "" {
			fmt.Fprintln(q.out, "this decides about limits: write one of the words")
			continue
		}
		fmt.Fprintln(q.out, config.UnknownWord("answer", answer, of))
	}
}
