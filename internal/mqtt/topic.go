package mqtt

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// maxTopic is the longest UTF-8 string of MQTT (3.1.1 section 1.5.3).
const maxTopic = 65535

// CheckTopic reports whether a message may be published on topic: not empty, UTF-8, no wildcard, no NUL (MQTT 3.1.1
// sections 3.3.2.1 and 4.7.3).
func CheckTopic(topic string) error {
	if strings.ContainsAny(topic, "+#") {
		return fmt.Errorf("mqtt: topic %q has a wildcard, which is for subscriptions only", topic)
	}
	return checkText("topic", topic)
}

// CheckFilter reports whether filter may be subscribed to: + matches one whole level, # for all the rest and only at
// the end (MQTT 3.1.1 section 4.7.1).
func CheckFilter(filter string) error {
	levels := strings.Split(filter, "/")
	for i, level := range levels {
		switch {
		case level == "#" && i < len(levels)-1:
			return fmt.Errorf("mqtt: filter %q: # must be the last level", filter)
		case len(level) > 1 && strings.ContainsAny(level, "+#"):
			return fmt.Errorf("mqtt: filter %q: + and # must stand alone between the slashes", filter)
		}
	}
	return checkText("filter", filter)
}

func checkText(what, text string) error {
	switch {
	case text == "":
		return fmt.Errorf("mqtt: the %s is empty", what)
	case len(text) > maxTopic:
		return fmt.Errorf("mqtt: a %s of %d bytes is longer than MQTT allows", what, len(text))
	case !utf8.ValidString(text) || strings.ContainsRune(text, 0):
		return fmt.Errorf("mqtt: %s %q is not text that MQTT can carry", what, text)
	}
	return nil
}

// Match reports whether filter matches a topic, or every topic that another filter matches. A wildcard at the first level does not match a
// level that begins with $ (MQTT 3.1.1 section 4.7.2).
func Match(filter, topic string) bool {
	if strings.HasPrefix(topic, "$") && (strings.HasPrefix(filter, "+") || strings.HasPrefix(filter, "#")) {
		return false
	}
	for {
		level, filterRest, filterMore := strings.Cut(filter, "/")
		if level == "#" {
			return true
		}
		name, topicRest, topicMore := strings.Cut(topic, "/")
		if name == "#" || level != "+" && level != name {
			return false
		}
		switch {
		case !filterMore && !topicMore:
			return true
		case filterMore && !topicMore:
			return filterRest == "#" // a/# matches a too (section 4.7.1.2)
		case !filterMore:
			return false
		}
		filter, topic = filterRest, topicRest
	}
}

// Overlap reports whether some topic is matched by both filters.
func Overlap(a, b string) bool {
	if strings.HasPrefix(a, "$") != strings.HasPrefix(b, "$") {
		return false
	}
	first, second := strings.Split(a, "/"), strings.Split(b, "/")
	for i := 0; ; i++ {
		endA, endB := i == len(first), i == len(second)
		switch {
		case !endA && first[i] == "#", !endB && second[i] == "#", endA && endB:
			return true
		case endA || endB, first[i] != "+" && second[i] != "+" && first[i] != second[i]:
			return false
		}
	}
}
