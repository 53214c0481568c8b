package mqtt

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// TestMatch holds the examples of MQTT 3.1.1 sections 4.7.1.2, 4.7.1.3 and 4.7.2.
func TestMatch(t *testing.T) {
	for _, c := range []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"#", "anything/at/all", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "$SYS/uptime", false},
		{"+/monitor/Clients", "$SYS/monitor/Clients", false},
		{"$SYS/#", "$SYS/", true},
		{"$SYS/monitor/+", "$SYS/monitor/Clients", true},
		{"ACCOUNTS", "Accounts", false},
		{"a/b", "a", false},
		{"a", "a/b", false},
	} {
		assert.Equal(t, c.want, Match(c.filter, c.topic), "%s ~ %s", c.filter, c.topic)
	}
}

func TestCheckTopicAndFilter(t *testing.T) {
	for _, good := range []string{"a", "/", "a//b", "dewline/north-loft/status"} {
		require.NoError(t, CheckTopic(good))
		require.NoError(t, CheckFilter(good))
	}
	for _, good := range []string{"#", "+", "a/+/b", "a/#", "+/+/#"} {
		require.NoError(t, CheckFilter(good))
		require.Error(t, CheckTopic(good))
	}
	for _, bad := range []string{"", "a/#/b", "a#", "a/b+", "+a", "a\x00b", "\xff", strings.Repeat("a", 65536)} {
		require.Error(t, CheckFilter(bad), bad)
	}
}

// TestMatchAgainstAPlainOne checks Match against the rules written down level by level.
func TestMatchAgainstAPlainOne(t *testing.T) {
	plain := func(filter, topic []string) bool {
		for i, level := range filter {
			if level == "#" {
				return true
			}
			if i >= len(topic) || level != "+" && level != topic[i] {
				return false
			}
		}
		return len(filter) == len(topic)
	}
	level := rapid.SampledFrom([]string{"a", "b", ""})
	rapid.Check(t, func(t *rapid.T) {
		topic := rapid.SliceOfN(level, 1, 4).Draw(t, "topic")
		filter := rapid.SliceOfN(rapid.OneOf(level, rapid.Just("+")), 1, 4).Draw(t, "filter")
		if rapid.Bool().Draw(t, "open") {
			filter = append(filter, "#")
		}
		require.Equal(t, plain(filter, topic), Match(strings.Join(filter, "/"), strings.Join(topic, "/")))
	})
}

func TestMatchOfAFilter(t *testing.T) {
	for _, c := range []struct {
		rule, asked string
		want        bool
	}{
		{"a/b", "a/b", true}, {"a/b", "a/c", false}, {"a/b", "a", false}, {"a", "a/b", false},
		{"a/#", "a", true}, {"a/#", "a/b/c", true}, {"a/#", "a/#", true}, {"a/#", "a/+", true}, {"a/#", "a/+/#", true},
		{"a/#", "#", false}, {"a/#", "+/b", false}, {"a/b/#", "a/#", false}, {"a/#", "ab", false},
		{"a/+", "a/b", true}, {"a/+", "a/+", true}, {"a/+", "a/#", false}, {"a/+", "a/b/c", false}, {"a/+", "a", false},
		{"+/b", "a/b", true}, {"+/b", "+/b", true}, {"a/+/c", "a/b/+", false},
		{"#", "#", true}, {"#", "a/b", true}, {"#", "$SYS/broker", false}, {"+/broker", "$SYS/broker", false},
		{"$SYS/#", "$SYS/broker/time", true}, {"#", "$share/g/a", false}, {"a/#", "$share/g/a/b", false},
		{"a/#", "a//b", true}, {"a/+/b", "a//b", true}, {"a", "", false}, {"#", "", true},
	} {
		assert.Equal(t, c.want, Match(c.rule, c.asked), "%s covers %s", c.rule, c.asked)
	}
}

// TestACoveredFilterAsksForNothingElse checks the matching of filters against that of topics: whatever a covered filter matches, the
// rule matches too.
func TestACoveredFilterAsksForNothingElse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		level := rapid.SampledFrom([]string{"a", "b", "", "$x"})
		wild := rapid.SampledFrom([]string{"a", "b", "", "$x", "+"})
		filter := func(name string) string {
			levels := rapid.SliceOfN(wild, 1, 4).Draw(t, name)
			if rapid.Bool().Draw(t, name+" ends in #") {
				levels = append(levels, "#")
			}
			return strings.Join(levels, "/")
		}
		rule, asked := filter("rule"), filter("asked")
		topic := strings.Join(rapid.SliceOfN(level, 1, 5).Draw(t, "topic"), "/")
		if Match(asked, topic) && Match(rule, asked) && !Match(rule, topic) {
			t.Fatalf("%s covers %s, but does not match %s", rule, asked, topic)
		}
	})
}
