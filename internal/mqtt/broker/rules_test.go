package broker

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/crypto/bcrypt"
	"pgregory.net/rapid"

	"dewline/internal/config"
	"dewline/internal/mqtt"
)

// TestTheFirstRuleDecides_RowACLLedger is the measured flaw of an unordered ledger: a read rule on everything and a
// denied branch inside it, which decided by chance. Here it is asked many times, of fresh accounts each time.
func TestTheFirstRuleDecides_RowACLLedger(t *testing.T) {
	reader := user(t, "reader", []string{"d/#"}, []string{"d/note/+", root + "/#"})
	for range 200 {
		all, err := newAccounts(Options{Root: root, Users: []User{reader}}, "secret", bcrypt.MinCost)
		require.NoError(t, err)
		a := all.byName["reader"]
		assert.True(t, a.may(false, "d/command/stage"))
		assert.False(t, a.may(true, "d/command/stage"), "reading is not writing")
		assert.True(t, a.may(true, "d/note/x"))
		assert.True(t, a.may(true, root+"/status"))
		assert.False(t, a.may(true, root+"/command/stage"), "the ban on commands comes before the user's own filters")
		assert.False(t, a.may(true, "elsewhere"), "an unmatched topic may not be written")
	}
}

func TestWhoMayWhat(t *testing.T) {
	long, deep := root+"/"+strings.Repeat("x", maxTopic), root+strings.Repeat("/x", maxLevels)
	type ask struct {
		write bool
		topic string
		want  bool
	}
	const read, write = false, true
	for name, c := range map[string]struct {
		commands bool
		users    []User
		who      string
		asks     []ask
	}{
		"nobody configured": {false, nil, "", []ask{
			{read, root + "/points/tub-1/water-temperature", true}, {read, root + "/#", true}, {read, root, true},
			{read, "#", false}, {read, "dewline/#", false}, {read, "dewline/south-loft/status", false}, {read, "$SYS/#", false},
			{read, "$share/g/" + root + "/#", false}, {read, long, false}, {read, deep, false},
			{write, root + "/command/acknowledge", false}, {write, root + "/status", false}, {write, "x", false},
		}},
		"nobody configured, commands allowed": {true, nil, "", []ask{
			{write, root + "/command/acknowledge", true}, {write, root + "/command", false}, {write, root + "/command/a/b", false},
			{write, root + "/status", false}, {write, "$SYS/broker/time", false},
		}},
		"the program itself": {false, nil, internalUser, []ask{
			{read, "#", true}, {read, "shed/esp/t", true}, {read, "$SYS/broker/time", false},
			{write, root + "/status", true}, {write, "shed/esp/t", false}, {write, "$SYS/x", false},
		}},
		"a user without filters": {true, []User{user(t, "guest", nil, nil)}, "guest", []ask{
			{read, root + "/status", false}, {write, root + "/command/note", false}, {write, "x", false},
		}},
		"a user with all filters": {false, []User{user(t, "chief", []string{"#"}, []string{"#", "$SYS/#"})}, "chief", []ask{
			{read, "#", true}, {write, "shed/esp/t", true}, {write, root + "/command/note", false}, {write, "$SYS/broker/time", false},
			{write, "$other", false}, {write, "", false}, {read, "", false},
		}},
	} {
		all, err := newAccounts(Options{Root: root, AllowCommands: c.commands, Users: c.users}, "secret", bcrypt.MinCost)
		require.NoError(t, err, name)
		for _, a := range c.asks {
			assert.Equal(t, a.want, all.byName[c.who].may(a.write, a.topic), "%s, write %t: %.60s", name, a.write, a.topic)
		}
	}
	named, err := newAccounts(Options{Root: root, Users: []User{user(t, "chief", nil, nil)}}, "secret", bcrypt.MinCost)
	require.NoError(t, err)
	assert.Nil(t, named.check(login{}), "where there are users, nobody comes in without a name")
}

// TestUnknownUsersCostTheSameWork: a hash of the same cost is computed for an unknown name.
func TestUnknownUsersCostTheSameWork(t *testing.T) {
	all, err := newAccounts(Options{Root: root, Users: []User{user(t, "chief", nil, nil)}}, "secret", bcrypt.MinCost+1)
	require.NoError(t, err)
	for _, hash := range [][]byte{all.decoy, all.byName["chief"].hash} {
		cost, err := bcrypt.Cost(hash)
		require.NoError(t, err)
		assert.Equal(t, bcrypt.MinCost+1, cost)
	}
	assert.NotNil(t, all.check(login{true, "chief", []byte("pw-chief")}))
	assert.NotNil(t, all.check(login{true, internalUser, []byte("secret")}))
	for _, wrong := range []login{
		{true, "chief", []byte("pw-chie")}, {true, "chief", nil}, {true, "nobody", []byte("pw-chief")}, {true, "", []byte("x")},
		{true, internalUser, []byte("secre")}, {true, "nobody", []byte("secret")}, {true, "chief", make([]byte, 60_000)},
	} {
		assert.Nil(t, all.check(wrong), "%s %.10q", wrong.name, wrong.password)
	}
}

func TestAPasswordMayBeLong(t *testing.T) {
	u := user(t, "chief", nil, nil)
	long := strings.Repeat("p", 100)
	require.NoError(t, os.WriteFile(u.PasswordFile, []byte(long+"q\r\n"), 0o600))
	all, err := newAccounts(Options{Root: root, Users: []User{u}}, "secret", bcrypt.MinCost)
	require.NoError(t, err)
	assert.NotNil(t, all.check(login{true, "chief", []byte(long + "q")}))
	assert.Nil(t, all.check(login{true, "chief", []byte(long + "r")}), "bcrypt alone would compare 72 bytes only")
}

func TestStartRefuses(t *testing.T) {
	file := func(content string) string {
		path := filepath.Join(t.TempDir(), "password")
		require.NoError(t, os.WriteFile(path, []byte(content), 0o600))
		return path
	}
	with := func(u User) Options { return Options{Listen: "127.0.0.1:0", Root: root, Users: []User{u}} }
	good := user(t, "chief", nil, nil)
	for want, o := range map[string]Options{
		`can be reached from other machines`:           {Listen: "0.0.0.0:0", Root: root},
		`listen: :1883 can be reached`:                 {Listen: ":1883", Root: root},
		`192.0.2.1:1883 can be reached`:                {Listen: "192.0.2.1:1883", Root: root},
		`[::]:1883 can be reached`:                     {Listen: "[::]:1883", Root: root},
		`example.org:1883 can be reached`:              {Listen: "example.org:1883", Root: root},
		`"127.0.0.1" is not host:port`:                 {Listen: "127.0.0.1", Root: root},
		`root: mqtt: the topic is empty`:               {Listen: "127.0.0.1:0"},
		`root: mqtt: topic "dewline/+" has a wildcard`: {Listen: "127.0.0.1:0", Root: "dewline/+"},
		`a user has no name`:                           with(User{}),
		`there is a user "dewline-daemon" already`:     with(User{Name: internalUser}),
		`there is a user "chief" already`:              {Listen: "127.0.0.1:0", Root: root, Users: []User{good, good}},
		`user "chief": mqtt: filter "a#"`:              with(User{Name: "chief", Read: []string{"a#"}}),
		`user "chief": mqtt: filter "#/a"`:             with(User{Name: "chief", Write: []string{"#/a"}}),
		`user "chief": password file: open`:            with(User{Name: "chief", PasswordFile: filepath.Join(t.TempDir(), "none")}),
		`is empty`:                                     with(User{Name: "chief", PasswordFile: file("\n")}),
		`has more than one line`:                       with(User{Name: "chief", PasswordFile: file("hush\nhush\n")}),
		`is larger than a password`:                    with(User{Name: "chief", PasswordFile: file(strings.Repeat("hush", 20_000))}),
	} {
		_, err := start(o, quick())
		require.ErrorContains(t, err, want)
		assert.ErrorContains(t, err, "embedded broker: ")
		assert.NotContains(t, err.Error(), "hush")
	}
	for _, address := range []string{"127.0.0.1:0", "127.3.2.1:0", "localhost:0"} {
		startBroker(t, Options{Listen: address}, quick())
	}
}

// The configuration refuses the name by which the program itself logs in.
func TestTheNameOfTheProgramIsReserved(t *testing.T) {
	assert.Equal(t, config.ReservedUser, internalUser)
}

func TestOverlap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wild := rapid.SampledFrom([]string{"a", "b", "", "+"})
		filter := func(name string) string {
			levels := rapid.SliceOfN(wild, 1, 4).Draw(t, name)
			if rapid.Bool().Draw(t, name+" ends in #") {
				levels = append(levels, "#")
			}
			return strings.Join(levels, "/")
		}
		first, second := filter("first"), filter("second")
		topic := strings.Join(rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", ""}), 1, 5).Draw(t, "topic"), "/")
		if topic != "" && mqtt.Match(first, topic) && mqtt.Match(second, topic) {
			require.True(t, mqtt.Overlap(first, second), "%s and %s have %s in common", first, second, topic)
		}
		require.Equal(t, mqtt.Overlap(first, second), mqtt.Overlap(second, first))
	})
	require.False(t, mqtt.Overlap("dewline/#", "tasks/#"))
	require.False(t, mqtt.Overlap("#", "$SYS/#"))
}

// A client without a name may subscribe to everything, and gets what it may read.
func TestANamelessClientLooksAround(t *testing.T) {
	b := startBroker(t, Options{AllowCommands: true}, quick())
	looker := connect(t, b, "looker")
	for _, filter := range []string{"#", "dewline/#", "dewline/+/status"} {
		require.True(t, looker.subscribe(filter, 1), filter)
	}
	require.False(t, looker.subscribe("tasks/#", 1))
	require.False(t, looker.subscribe("$SYS/#", 1))
	connect(t, b, "itself", asDaemon(b)).publish(root+"/status", 1, true, "online")
	require.Equal(t, root+"/status", (<-looker.messages).Topic())
	looker.publish(root+"/command/note", 1, false, "{}")
	require.Equal(t, root+"/command/note", (<-looker.messages).Topic())
}

func TestARefusalNamesTheRule(t *testing.T) {
	a := &account{name: "phone", rules: []rule{{write: true, filter: root + "/command/#"}, {allow: true, filter: root + "/#"}}}
	require.Equal(t, "user phone may read only dewline/north-loft/#", a.refusal(false, "#"))
	require.Contains(t, a.refusal(true, root+"/command/note"), "mqtt: {commands: false}")
	require.Equal(t, "user phone may write nothing", a.refusal(true, root+"/status"))
	require.Contains(t, a.refusal(true, "$SYS/x"), "written by the broker only")
}
