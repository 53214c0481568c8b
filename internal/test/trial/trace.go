package trial

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
)

// How long before and after a missed stay is written: it may have begun with a fault, and is decided half an hour after its allowed
// time.
const (
	traceBefore = time.Hour
	traceAfter  = 90 * time.Minute
)

// Explain plays the room-years of a result in which dewline missed a stay beyond a critical limit, was late, or gave a false alarm, once more,
// and writes what made a sound in them, and around each of those stays minute by minute the truth, the readings, the journal and who
// knew of it.
func Explain(ctx context.Context, o Options, r *Result, w io.Writer) error {
	s, err := loadSetting()
	if err != nil {
		return err
	}
	for i, counts := range r.Years {
		year := o.First + i
		t := &tracer{w: w}
		for _, m := range append(r.late, r.Misses...) {
			if m.Year == year && m.Group.Critical {
				t.stays = append(t.stays, m)
			}
		}
		if len(t.stays) == 0 && counts[playerDewline].False == 0 {
			continue
		}
		fmt.Fprintf(w, "\nroom-year %d\n", year)
		if _, err := playYear(ctx, s, year, o, t); err != nil {
			return err
		}
	}
	return nil
}

// tracer writes what happens in a room-year.
type tracer struct {
	w     io.Writer
	stays []Miss
}

// near returns the stays that a time is near to.
func (t *tracer) near(now time.Time) (stays []Miss) {
	if t == nil {
		return nil
	}
	for _, m := range t.stays {
		until := m.From.Add(m.Group.Allowed + traceAfter)
		if now.After(m.From.Add(-traceBefore)) && now.Before(until) {
			stays = append(stays, m)
		}
	}
	return stays
}

// step writes the minute of each stay that is near.
func (t *tracer) step(g *game) {
	now := g.truth.now()
	for _, m := range t.near(now) {
		i, limit := m.at.point, m.at.limit
		far, _ := g.truth.beyond(i, limit)
		var line strings.Builder
		fmt.Fprintf(&line, "  %s true %.2f, beyond %s by %.2f (±%.2f)", now.Format("01-02 15:04"), g.truth.values[i], limit, far, g.setting.accuracyOf(i, g.truth.values))
		if !g.truth.powered {
			line.WriteString(", no power\n")
			_, _ = io.WriteString(t.w, line.String())
			continue
		}
		for _, sensor := range g.setting.points[i].sensors {
			p := g.probes[sensor]
			k := slices.Index(p.part.feeds, i)
			fmt.Fprintf(&line, ", %s %.2f right %t", p.part.id, p.naive[k], p.right[k])
		}
		index, _ := g.dewline.chain.Core.Index(g.setting.points[i].name)
		state := g.dewline.chain.Core.State(index)
		fmt.Fprintf(&line, ", reading %.2f flag %d %s %s; it knows", state.Value, state.Flag, state.Zone, g.dewline.limit[i*care.LimitCount+int(limit)].letter)
		for player := range playerCount {
			if g.knows(player, &stay{limitOf: m.at}) {
				line.WriteString(" " + PlayerNames[player])
			}
		}
		line.WriteString("\n")
		_, _ = io.WriteString(t.w, line.String())
	}
}

// entry writes an entry of the journal near a stay: what calls for a person, and all of its point.
func (t *tracer) entry(now time.Time, e *journal.Entry) {
	if !slices.ContainsFunc(t.near(now), func(m Miss) bool { return e.State == isa.Unacknowledged || strings.HasPrefix(e.Alarm, m.Point+"/") }) {
		return
	}
	fmt.Fprintf(t.w, "    %s %s %s %s was %s", now.Format("01-02 15:04"), e.Kind, e.Alarm, e.State, e.Was)
	if e.Since != nil {
		fmt.Fprintf(t.w, ", since %s", e.Since)
	}
	if e.Incident != "" {
		fmt.Fprintf(t.w, ", incident %s, silent %t", e.Incident, e.Silent)
	}
	fmt.Fprintln(t.w, "", e.By, e.Reason, e.Doubt, e.Text)
}

// message writes a message that makes a sound, and what it is worth; that of a forecast is not known yet.
func (t *tracer) message(d *dewline, n *notify.Delivery) {
	if t == nil || !audible(n) {
		return
	}
	worth := ""
	switch v := d.views[n.Entry.Alarm]; {
	case v == nil:
	case v.kind == fault:
		worth = map[bool]string{true: "true", false: "FALSE"}[d.scorer.faulty(v.sensor)]
	case v.kind == stale:
		worth = map[bool]string{true: "true", false: "FALSE"}[d.scorer.truth.step-d.scorer.truth.lived[v.point] >= living]
	case v.kind == onLimit:
		at := limitOf{v.point, v.limit}
		far, _ := d.scorer.truth.beyond(v.point, v.limit)
		worth = fmt.Sprintf("%s, in truth beyond by %.2f", [...]string{True: "true", TooClose: "close", False: "FALSE"}[d.scorer.judge(at)], far)
	}
	fmt.Fprintf(t.w, "%s %s %s %s %s", d.scorer.truth.now().Format("01-02 15:04"), n.Reason, n.Entry.Kind, n.Entry.Alarm, worth)
	if n.Entry.Value != nil && n.Entry.Setpoint != nil {
		fmt.Fprintf(t.w, ", %.2f at a limit of %.2f", *n.Entry.Value, *n.Entry.Setpoint)
	}
	fmt.Fprintln(t.w, "", n.Entry.Incident, n.Entry.Reason, n.Entry.Doubt)
}
