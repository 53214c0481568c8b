package report

import (
	"fmt"
	"slices"
	"strings"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/format/exposure"
)

// worstSection lists the worst excursions and what was done about them.
func (w Words) worstSection(e *Exposure) Section {
	t := Table{Head: []string{"from", "where", "length", "worst", "limit", "on record"}}
	for i := range e.Worst {
		x := &e.Worst[i]
		q := x.Point.Quantity
		worst := w.value(q, &x.Extreme)
		if x.Critical {
			worst += ", critical"
		}
		lasted := length(exposure.Seconds(x.To.Sub(x.From)))
		if x.UnknownS > 0 {
			lasted += " (" + length(x.UnknownS) + " unknown)"
		}
		t.Rows = append(t.Rows, []string{w.at(x.From), e.where(x.Point), lasted, worst, w.value(q, x.Limit), w.answered(x)})
	}
	section := sectionOf("The worst times outside the band, and what was done", t)
	switch all := e.excursions(); {
	case all > len(e.Worst):
		section.Lines = []string{fmt.Sprintf("%d of %d: those beyond a critical limit first, then the longest.", len(e.Worst), all)}
	case all > 1:
		section.Lines = []string{"All there were: those beyond a critical limit first, then the longest."}
	}
	return section
}

func (e *Exposure) excursions() (n int) {
	for i := range e.Points {
		n += len(e.Points[i].Excursions)
	}
	return n
}

// answered writes what was done about an excursion.
func (w Words) answered(x *Worst) string {
	parts := []string{w.alarmed(x)}
	mistings := 0
	for _, d := range x.Done {
		after := w.after(x, d.At)
		switch d.Kind {
		case journal.Misting:
			mistings++
		case journal.CareDone:
			parts = append(parts, strings.ReplaceAll(d.Task, "-", " ")+" after "+after+by(d.By))
		case journal.CohortMoved:
			parts = append(parts, "moved after "+after+by(d.By))
		case journal.Note:
			parts = append(parts, "note "+w.at(d.At)+by(d.By)+": "+shortened(d.Text))
		}
	}
	switch {
	case mistings == 1:
		parts = append(parts, "misted once meanwhile")
	case mistings > 1:
		parts = append(parts, fmt.Sprintf("misted %d times meanwhile", mistings))
	}
	return strings.Join(parts, "; ")
}

// alarmed writes how many alarms an excursion had, when the first was raised, and when one was acknowledged.
func (w Words) alarmed(x *Worst) string {
	alarms, first, answer, covered := 0, instant.None, "not acknowledged", ""
	for _, d := range slices.Backward(x.Done) {
		switch d.Kind {
		case journal.AlarmRaised:
			alarms++
			first, covered = d.At, d.By
		case journal.AlarmAcknowledged:
			answer = "acknowledged after " + w.after(x, d.At) + by(d.By)
			if d.At < x.From {
				answer = "acknowledged before" + by(d.By)
			}
		}
	}
	if alarms == 0 {
		return "no alarm"
	}
	text := "alarm after " + w.after(x, first)
	switch {
	case first < x.From:
		text = "alarm active before"
	case alarms > 1:
		text = fmt.Sprintf("%d alarms, the first after %s", alarms, w.after(x, first))
	}
	if covered != "" && answer == "not acknowledged" {
		return text + ", covered by " + covered
	}
	return text + ", " + answer
}

// after writes how long after the begin of an excursion something was.
func (w Words) after(x *Worst, at instant.Instant) string {
	return length(exposure.Seconds(max(0, at.Sub(x.From))))
}

func by(whom string) string {
	if whom == "" {
		return ""
	}
	return " by " + whom
}

// shortened cuts a long text at a word.
func shortened(text string) string {
	runes := []rune(text)
	if len(runes) <= maxPrintedText {
		return text
	}
	cut := string(runes[:maxPrintedText])
	if i := strings.LastIndexByte(cut, ' '); i > 0 {
		cut = cut[:i]
	}
	return cut + " …"
}
