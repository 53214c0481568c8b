package assemble

import (
	"fmt"

	"dewline/internal/config"
	"dewline/internal/core/notify"
)

// NotifierNames returns a name for each rule under notify: webhook, mail, or with a number from the second one on. It is ""
// for MQTT, which is no notifier of its own.
func NotifierNames(s *config.Site) []string {
	names := make([]string, len(s.Notify))
	count := map[string]int{}
	for i := range s.Notify {
		kind := s.Notify[i].Kind
		if kind == "mqtt" {
			continue // its events topic carries everything
		}
		if count[kind]++; count[kind] == 1 {
			names[i] = kind
		} else {
			names[i] = fmt.Sprintf("%s-%d", kind, count[kind])
		}
	}
	return names
}

// Rule returns what a notifier sends, and when.
func Rule(name string, o *config.NotifierConfig) notify.Rule {
	return notify.Rule{
		Notifier: name, Priorities: o.Priorities, After: o.After, Every: o.Every, Updates: o.Updates(), Repeat: o.Repeat, Until: o.Until, Quiet: o.Quiet,
	}
}

// Rules returns those of all notifiers of a site but MQTT.
func Rules(s *config.Site) (rules []notify.Rule) {
	for i, name := range NotifierNames(s) {
		if name != "" {
			rules = append(rules, Rule(name, &s.Notify[i]))
		}
	}
	return rules
}
