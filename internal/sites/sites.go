// Package sites sums up many sites by the topics that their brokers retain: one line for each, without a server of its own.
//
//	book := sites.NewBook("dewline")
//	err := sites.Collect(ctx, mqtt.Options{…}, book, 5*time.Second)
//	for _, site := range book.Sites(time.Now()) { … }
package sites

import (
	"cmp"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/deliver"
	"dewline/internal/format/cloudevent"
)

// The states of a site.
const (
	Online  = "online"
	Offline = "offline" // it has said so, or its broker in its place
	Silent  = "silent"  // it was online, and has not said so for longer than it should; or its clock is ahead, which would hide that
	Unknown = "unknown" // it has never said
)

// silentAfter is how old the last message may be that a site sends each minute, with room for a bridge that connects again.
const silentAfter = 5 * time.Minute

// Site is one line. The form in JSON is stable.
type Site struct {
	Site     string          `json:"site"`
	State    string          `json:"state"`
	LastSeen instant.Instant `json:"last_seen"` // by the clock of the site; null where it has never said
	// ClockConfirmed reports whether the clock of the site is known to be right; null where it has never said.
	ClockConfirmed *bool  `json:"clock_confirmed"`
	Points         int    `json:"points"`
	WorstZone      string `json:"worst_zone"`  // of all its points; "" where it has none
	WorstPoint     string `json:"worst_point"` // one that is there
	// Incidents counts the places and sensors with an active alarm that is not suppressed, but for the enclosures that the alarm of their
	// room speaks for.
	Incidents     int    `json:"incidents"`
	Priority      string `json:"priority"` // the highest of them; "" for none
	ToAcknowledge int    `json:"to_acknowledge"`
}

// Book collects messages. It is used by one goroutine at a time.
type Book struct {
	root    string
	sites   map[string]*siteNotes
	strange int // messages that could not be read
}

// siteNotes is what is retained of a site.
type siteNotes struct {
	status *deliver.StatusMessage
	zones  map[string]string
	alarms map[string]cloudevent.AlarmData
}

// NewBook returns an empty book of the sites below a root such as "dewline".
func NewBook(root string) *Book { return &Book{root: root, sites: map[string]*siteNotes{}} }

// Filters are the topics that a book needs.
func (b *Book) Filters() []string {
	return []string{b.root + "/+/status", b.root + "/+/points/#", b.root + "/+/alarms/#"}
}

// Strange returns how many messages could not be read.
func (b *Book) Strange() int { return b.strange }

// Take takes a message. What is no message of a site is counted and left out.
func (b *Book) Take(topic string, payload []byte) {
	rest, ours := strings.CutPrefix(topic, b.root+"/")
	id, branch, _ := strings.Cut(rest, "/")
	if !ours || quantity.CheckID(id) != nil {
		b.strange++
		return
	}
	site := b.sites[id]
	if site == nil {
		site = &siteNotes{zones: map[string]string{}, alarms: map[string]cloudevent.AlarmData{}}
		b.sites[id] = site
	}
	if !site.take(branch, payload) {
		b.strange++
	}
}

func (n *siteNotes) take(branch string, payload []byte) bool {
	kind, name, _ := strings.Cut(branch, "/")
	if len(payload) == 0 { // the topic is deleted
		delete(n.zones, name)
		delete(n.alarms, name)
		return true
	}
	switch kind {
	case "status":
		m := &deliver.StatusMessage{}
		if json.Unmarshal(payload, m) != nil || m.State != Online && m.State != Offline {
			return false
		}
		if m.Time == nil && n.status != nil { // the last will carries no time
			m.Time = n.status.Time
		}
		n.status = m
	case "points":
		var m deliver.PointMessage
		if json.Unmarshal(payload, &m) != nil || rank(m.Zone) < 0 {
			return false
		}
		n.zones[name] = m.Zone
	case "alarms":
		event, err := cloudevent.Parse(payload)
		var a cloudevent.AlarmData
		if err != nil || json.Unmarshal(event.Data, &a) != nil {
			return false
		}
		n.alarms[name] = a
	default:
		return false
	}
	return true
}

// order is the order of the zones, the worst last. Not to know is worse than to be well, and better than to be known to be out.
var order = []string{
	watch.NoBand.String(), watch.InBand.String(), watch.UnknownZone.String(), watch.LowZone.String(), watch.HighZone.String(),
	watch.CriticalLowZone.String(), watch.CriticalHighZone.String(),
}

// rank returns how bad a zone is; -1 where there is no such zone.
func rank(zone string) int { return slices.Index(order, zone) }

// Sites returns a line for each site by its state at a time, those that need a look first.
func (b *Book) Sites(now time.Time) []Site {
	list := make([]Site, 0, len(b.sites))
	for id, notes := range b.sites {
		list = append(list, notes.site(id, now))
	}
	slices.SortStableFunc(list, func(a, b Site) int { return cmp.Or(cmp.Compare(b.urgency(), a.urgency()), cmp.Compare(a.Site, b.Site)) })
	return list
}

// urgency orders the lines: what is not known to be watched, then what is worst.
func (s *Site) urgency() int {
	if s.State != Online {
		return 100
	}
	return 10*min(s.Incidents, 1) + rank(s.WorstZone)
}

func (n *siteNotes) site(id string, now time.Time) Site {
	s := Site{Site: id, State: Unknown, LastSeen: instant.None, Points: len(n.zones)}
	if m := n.status; m != nil {
		s.State, s.ClockConfirmed = m.State, m.Synchronized
		if m.Time != nil {
			s.LastSeen = *m.Time
		}
		if m.State == Online && (s.LastSeen.IsNone() || now.Sub(s.LastSeen.Time()).Abs() > silentAfter) {
			s.State = Silent
		}
	}
	for _, point := range slices.Sorted(maps.Keys(n.zones)) {
		if zone := n.zones[point]; s.WorstPoint == "" || rank(zone) > rank(s.WorstZone) {
			s.WorstZone, s.WorstPoint = zone, point
		}
	}
	n.incidents(&s)
	return s
}

// incidents counts what is active.
func (n *siteNotes) incidents(s *Site) {
	spokenFor, causes, highest := map[string]bool{}, map[string]bool{}, care.Unset
	for _, a := range n.alarms {
		if a.Active && !a.State.Silenced() {
			for _, place := range a.SpeaksFor {
				spokenFor[place] = true
			}
		}
	}
	for _, a := range n.alarms {
		if a.State.Waits() {
			s.ToAcknowledge++
		}
		if !a.Active || a.State.Silenced() {
			continue
		}
		cause := a.Place
		if a.Place == "sensor" {
			cause += "/" + a.Quantity
		}
		if spokenFor[cause] {
			continue
		}
		causes[cause] = true
		for p := care.LowPriority; p <= care.CriticalPriority; p++ {
			if p.String() == a.Priority {
				highest = max(highest, p)
			}
		}
	}
	if s.Incidents = len(causes); s.Incidents > 0 && highest != care.Unset {
		s.Priority = highest.String()
	}
}
