package report

import (
	"fmt"

	"dewline/internal/format/exposure"
)

// Sheet lays the report out.
func (p *Performance) Sheet(w Words) *Sheet {
	s := &Sheet{Title: "Alarm report of " + p.Site}
	s.Lines = append(s.Lines,
		w.within(p.From, p.To)+" ("+p.Timezone+")",
		fmt.Sprintf("%s of monitoring, %s called for a person, %d of them repeats.", daysOf(float64(p.Days)), times(p.Annunciations), p.Repeats))
	if !p.Enough {
		s.Lines = append(s.Lines, fmt.Sprintf("ANSI/ISA-18.2 wants %.0f days of data: %s, not enough for a verdict.", enoughDays, daysOf(float64(p.Days))))
	}
	if !p.Made.IsNone() {
		s.Lines = append(s.Lines, "Made on "+w.at(p.Made)+".")
	}
	figures := Table{Head: []string{"figure", "here", "target", "verdict", "source"}}
	for _, f := range p.Figures {
		figures.Rows = append(figures.Rows, []string{f.Title, f.shown(), f.Target, f.Verdict, f.Source})
	}
	s.add(sectionOf("Figures", figures), w.top(p.Top), w.responses(p.Responses), w.restless(p), w.suppressed(p.Suppressed))
	s.Notes = []string{
		"Only entries into the state unacknowledged count, repeats among them. Rates are per monitored time, in fixed bins of ten minutes " +
			"and of an hour (UTC).",
		"The published targets are for a staffed console of a plant. For one keeper at home a tenth of them is plenty.",
	}
	return s
}

// shown writes the value of a figure.
func (f *Figure) shown() string {
	switch {
	case f.Value == nil:
		return "–"
	case f.Unit == "share":
		return percent(float64(*f.Value))
	case float64(*f.Value) == float64(int64(*f.Value)):
		return fmt.Sprintf("%d", int64(*f.Value))
	}
	return fmt.Sprintf("%.2f", float64(*f.Value))
}

func times(n int) string {
	if n == 1 {
		return "1 time an alarm"
	}
	return fmt.Sprintf("%d times an alarm", n)
}

func (w Words) top(top []Ranked) Section {
	t := Table{Head: []string{"alarm", "times", "share"}}
	for _, r := range top {
		t.Rows = append(t.Rows, []string{r.Alarm, fmt.Sprint(r.Count), percent(float64(r.Share))})
	}
	section := sectionOf("Most frequent", t)
	if len(t.Rows) == 0 {
		section.Lines = []string{"No alarm has called for a person."}
	}
	return section
}

func (w Words) responses(responses []Response) Section {
	t := Table{Head: []string{"priority", "raised", "acknowledged", "median", "longest", "should be", "in time"}}
	for _, r := range responses {
		line := []string{r.Priority, fmt.Sprint(r.Raised), fmt.Sprint(r.Acknowledged), maybe(r.MedianS), maybe(r.LongestS), "next visit", "–"}
		if r.AllowableS != nil {
			line[5], line[6] = maybe(r.AllowableS), fmt.Sprint(r.Within)
		}
		t.Rows = append(t.Rows, line)
	}
	section := sectionOf("How soon a person answered (hours:minutes)", t)
	if len(t.Rows) > 0 {
		section.Lines = []string{"What should be is this program's proposal, no published source."}
	}
	return section
}

func maybe(s *exposure.Seconds) string {
	if s == nil {
		return "–"
	}
	return length(*s)
}

func (w Words) restless(p *Performance) Section {
	t := Table{Head: []string{"alarm", "what", "how often, or when"}}
	for _, c := range p.Chattering {
		t.Rows = append(t.Rows, []string{c.Alarm, "chatters", fmt.Sprint(c.Count)})
	}
	for _, c := range p.Fleeting {
		t.Rows = append(t.Rows, []string{c.Alarm, "flits by", fmt.Sprint(c.Count)})
	}
	for _, s := range p.Standing {
		until := "still active"
		if !s.Cleared.IsNone() {
			until = "until " + w.at(s.Cleared)
		}
		t.Rows = append(t.Rows, []string{s.Alarm, "stood for over 24 h", "since " + w.at(s.Raised) + ", " + until})
	}
	return sectionOf("To be mended", t)
}

func (w Words) suppressed(list []Suppressed) Section {
	t := Table{Head: []string{"alarm", "state", "since", "until", "by", "reason"}}
	for _, s := range list {
		until := "no end"
		if !s.Until.IsNone() {
			until = w.at(s.Until)
		}
		t.Rows = append(t.Rows, []string{s.Alarm, s.State, w.at(s.Since), until, s.By, s.Reason})
	}
	section := sectionOf("Kept silent at the end of the range", t)
	if len(t.Rows) == 0 {
		section.Lines = []string{"Nothing."}
	}
	return section
}
