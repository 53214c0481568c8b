package main

import (
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/mqtt"
	"dewline/internal/sites"
)

// sitesCommand shows many sites in a line each, from what their broker retains. It writes nothing there.
type sitesCommand struct {
	Broker          string        `required:"" placeholder:"URL" help:"The broker to which all sites publish, such as mqtts://broker.example:8883."`
	Username        string        `placeholder:"NAME" help:"Log in with this name."`
	PasswordFile    string        `placeholder:"FILE" help:"The file with the password."`
	CAFile          string        `name:"ca-file" placeholder:"FILE" help:"The authority of the broker, where the system does not know it."`
	CertificateFile string        `placeholder:"FILE" help:"A client certificate, with --key-file."`
	KeyFile         string        `placeholder:"FILE" help:"Its key."`
	Topics          string        `default:"dewline" placeholder:"TOPIC" help:"What the topics of all sites begin with."`
	Wait            time.Duration `default:"10s" help:"How long to wait for the broker."`
	JSON            bool          `name:"json" help:"Print JSON: all times in UTC."`
}

// Run prints a line for each site. The answer is no where one of them is not known to be watched.
func (c *sitesCommand) Run(ctx context.Context, s streams) error {
	root := strings.TrimSuffix(c.Topics, "/")
	if err := mqtt.CheckTopic(root); err != nil {
		return usageError{fmt.Errorf("--topics: %w", err)}
	}
	if c.Wait <= 0 {
		return usageError{fmt.Errorf("--wait %s: give a time such as 10s", c.Wait)}
	}
	if c.Username != "" && c.PasswordFile == "" && c.CertificateFile == "" {
		return usageError{fmt.Errorf("--username without --password-file: the password comes from a file")}
	}
	book := sites.NewBook(root)
	options := mqtt.Options{
		Broker: c.Broker, ClientID: "dewline-sites-" + rand.Text()[:8], Username: c.Username, PasswordFile: c.PasswordFile,
		CAFile: c.CAFile, CertFile: c.CertificateFile, KeyFile: c.KeyFile,
	}
	if err := sites.Collect(ctx, options, book, c.Wait); err != nil {
		return err
	}
	if n := book.Strange(); n > 0 {
		fmt.Fprintf(s.err, "%d messages below %s/ are not of a site and were left out\n", n, root)
	}
	now := time.Now()
	list := book.Sites(now)
	if len(list) == 0 {
		return fmt.Errorf("the broker has nothing of any site below %s/: is --topics right, and may this user read %s?", root, strings.Join(book.Filters(), ", "))
	}
	var err error
	if c.JSON {
		err = writeJSON(s.out, struct {
			Sites []sites.Site `json:"sites"`
		}{list})
	} else {
		err = printSites(s.out, list, now)
	}
	for i := range list {
		if err == nil && list[i].State != sites.Online {
			return errNo
		}
	}
	return err
}

func printSites(w io.Writer, list []sites.Site, now time.Time) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "site\tstate\tworst\tincidents\tto acknowledge\tlast seen")
	for i := range list {
		s := &list[i]
		worst := "nothing is watched"
		if s.WorstPoint != "" {
			worst = s.WorstZone + " at " + s.WorstPoint
			if s.State != sites.Online {
				worst = "was " + worst
			}
		}
		incidents := "none"
		if s.Incidents > 0 {
			incidents = fmt.Sprintf("%d, %s", s.Incidents, s.Priority)
		}
		state := s.State
		if s.State == sites.Online && s.ClockConfirmed != nil && !*s.ClockConfirmed {
			state += ", clock not confirmed"
		}
		seen := ago(s.LastSeen, now)
		if s.State == sites.Silent {
			seen += " by its clock"
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%d\t%s\n", s.Site, state, worst, incidents, s.ToAcknowledge, seen)
	}
	return table.Flush()
}

// ago says how long ago a time was.
func ago(at instant.Instant, now time.Time) string {
	if at.IsNone() {
		return "never"
	}
	d := now.Sub(at.Time())
	switch {
	case d < -time.Minute:
		return "in " + (-d).Round(time.Minute).String()
	case d < time.Minute:
		return "just now"
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d.Hours()/24))
}
