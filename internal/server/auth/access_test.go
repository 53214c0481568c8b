package auth

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/crypto/bcrypt"
	"pgregory.net/rapid"
)

// The hashes are those of test.c of the argon2 reference implementation (the winner of the Password Hashing Competition),
// version 19, argon2id: the cases that lie within the costs taken here.
func TestHashesOfTheReferenceImplementation(t *testing.T) {
	for _, c := range []struct{ password, hash string }{
		{"password", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"},
		{"password", "$argon2id$v=19$m=65536,t=1,p=1$c29tZXNhbHQ$9qWtwbpyPd3vm1rB1GThgPzZ3/ydHL92zKL+15XZypg"},
		{"differentpassword", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$C4TWUs9rDEvq7w3+J4umqA32aWKB1+DSiRuBfYxFj94"},
		{"password", "$argon2id$v=19$m=65536,t=2,p=1$ZGlmZnNhbHQ$vfMrBczELrFdWP0ZsfhWsRPaHppYdP3MVEMIVlqoFBw"},
	} {
		h, err := ParseHash(c.hash)
		require.NoError(t, err)
		assert.True(t, h.matches(c.password), c.hash)
		assert.False(t, h.matches(c.password+" "))
		assert.Equal(t, c.hash, h.String())
	}
}

// The bcrypt hashes are those of the test of golang.org/x/crypto/bcrypt ("allmine") and of its own making.
func TestBcrypt(t *testing.T) {
	h, err := ParseHash("$2a$10$XajjQvNhvvRt5GSeFk1xFeyqRrsxkhBkUiQeg0dt.wU1qD4aFDcga")
	require.NoError(t, err)
	assert.True(t, h.matches("allmine"))
	assert.False(t, h.matches("allmines"))
	made, err := bcrypt.GenerateFromPassword([]byte("ein gutes Wort"), 10)
	require.NoError(t, err)
	for _, minor := range []string{"$2a", "$2b", "$2y"} { // the three name the same function
		h, err := ParseHash(minor + string(made[3:]))
		require.NoError(t, err, minor)
		assert.True(t, h.matches("ein gutes Wort"), minor)
		assert.Equal(t, minor+string(made[3:]), h.String())
	}
}

func TestNewHash(t *testing.T) {
	h, err := NewHash("damp moss and oak")
	require.NoError(t, err)
	assert.Regexp(t, `^\$argon2id\$v=19\$m=19456,t=2,p=1\$[A-Za-z0-9+/]{22}\$[A-Za-z0-9+/]{43}$`, h.String())
	again, err := ParseHash(h.String())
	require.NoError(t, err)
	assert.True(t, again.matches("damp moss and oak"))
	assert.False(t, again.matches("damp moss and oak "))
	other, err := NewHash("damp moss and oak")
	require.NoError(t, err)
	assert.NotEqual(t, h.String(), other.String(), "each has a salt of its own")
	for _, c := range []struct{ password, want string }{
		{"elevenchars", "at least 12 characters, and this has 11"}, {"", "has 0"}, {strings.Repeat("x", 1025), "at most 1024 bytes"},
		{"two\nlines of text", "one line"}, {"ééééééééééé", "has 11"},
	} {
		_, err := NewHash(c.password)
		require.ErrorContains(t, err, c.want)
	}
}

const salt, sum = "c29tZXNhbHQ", "CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"

func TestHostileHashesAreRefused(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "no argon2id or bcrypt hash"},
		{"secret-password", "no argon2id or bcrypt hash"},
		{"$argon2i$v=19$m=65536,t=2,p=1$" + salt + "$" + sum, "only argon2id is taken"},
		{"$argon2id$v=16$m=65536,t=2,p=1$" + salt + "$" + sum, "version 19"},
		{"$argon2id$m=65536,t=2,p=1$" + salt + "$" + sum, "version 19"},
		{"$argon2id$v=19$m=4294967295,t=2,p=1$" + salt + "$" + sum, "memory in KiB of the hash is 4294967295, and 7168 to 65536"},
		{"$argon2id$v=19$m=99999999999,t=2,p=1$" + salt + "$" + sum, "has no memory"},
		{"$argon2id$v=19$m=65537,t=2,p=1$" + salt + "$" + sum, "7168 to 65536"},
		{"$argon2id$v=19$m=64,t=2,p=1$" + salt + "$" + sum, "7168 to 65536"},
		{"$argon2id$v=19$m=+8192,t=2,p=1$" + salt + "$" + sum, "has no memory"},
		{"$argon2id$v=19$m=8192,t=0,p=1$" + salt + "$" + sum, "passes of the hash is 0"},
		{"$argon2id$v=19$m=8192,t=1000000,p=1$" + salt + "$" + sum, "passes of the hash is 1000000"},
		{"$argon2id$v=19$m=8192,t=2,p=0$" + salt + "$" + sum, "lanes of the hash is 0"},
		{"$argon2id$v=19$m=8192,t=2,p=255$" + salt + "$" + sum, "lanes of the hash is 255"},
		{"$argon2id$v=19$m=8192,p=1,t=2$" + salt + "$" + sum, "has no number of passes"},
		{"$argon2id$v=19$m=8192,t=2$" + salt + "$" + sum, "has no cost"},
		{"$argon2id$v=19$m=8192,t=2,p=1$c2FsdA$" + sum, "the salt of the hash has 4 bytes"},
		{"$argon2id$v=19$m=8192,t=2,p=1$" + salt + "$" + sum + "=", "the end of the hash is not base64"},
		{"$argon2id$v=19$m=8192,t=2,p=1$" + salt + "$" + sum[:8], "the end of the hash has 6 bytes"},
		{"$argon2id$v=19$m=8192,t=2,p=1$" + salt, "version 19"},
		{"$2a$31$XajjQvNhvvRt5GSeFk1xFeyqRrsxkhBkUiQeg0dt.wU1qD4aFDcga", "cost of the bcrypt hash is 31"},
		{"$2a$04$XajjQvNhvvRt5GSeFk1xFeyqRrsxkhBkUiQeg0dt.wU1qD4aFDcga", "cost of the bcrypt hash is 4"},
		{"$2a$10$XajjQvNhvvRt5GSeFk1xFeyqRrsxkhBkUiQeg0dt.wU1qD4aFDcg", "no whole bcrypt hash"},
		{"$2a$10$XajjQvNhvvRt5GSeFk1xFeyqRrsxkhBkUiQeg0dt.wU1qD4aFDc:a", "no whole bcrypt hash"},
		{"$2x$10$XajjQvNhvvRt5GSeFk1xFeyqRrsxkhBkUiQeg0dt.wU1qD4aFDcga", "no argon2id or bcrypt hash"},
		{"$argon2id$" + strings.Repeat("a", 600), "longer than a hash"},
	} {
		_, err := ParseHash(c.text)
		require.ErrorContains(t, err, c.want, c.text)
		assert.NotContains(t, err.Error(), "secret")
	}
}

func TestTokens(t *testing.T) {
	one, other := NewToken(), NewToken()
	assert.Len(t, one, 43)
	assert.NotEqual(t, one, other)
	for _, good := range []string{one, strings.Repeat("0123456789abcdef", 2), "Zm9vYmFyYmF6cXV4MTIzNA=="} {
		_, err := ParseToken(good)
		require.NoError(t, err, good)
	}
	for _, bad := range []struct{ token, want string }{
		{"", "no token"}, {"has a space in the middle of it", "no token"}, {"zwölf-und-noch-viele-Zeichen", "no token"}, {strings.Repeat("aB3-", 65), "no token"},
		{"short", "can be guessed"}, {"0123456789abcdef0123456789abcde", "can be guessed (at most 124 bits"}, {"12345678901234567890123456789012345678", "at most 126 bits"},
		{strings.Repeat("x", 100), "at most 0 bits"}, {"====================================", "can be guessed"},
	} {
		_, err := ParseToken(bad.token)
		require.ErrorContains(t, err, bad.want, bad.token)
		if len(bad.token) > 5 {
			assert.NotContains(t, err.Error(), bad.token)
		}
	}
}

func TestReadUsers(t *testing.T) {
	folder := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(folder, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	hash := "$argon2id$v=19$m=8192,t=1,p=1$" + salt + "$" + sum
	users, err := ReadUsers([]UserFiles{
		{Name: "ines", Role: "operator", HashFile: file("ines", hash+"\n")},
		{Name: "scraper", Role: "viewer", TokenFile: file("scraper", NewToken()+"\r\n")},
		{Name: "a", Role: "viewer", HashFile: filepath.Join(folder, "absent")},
		{Name: "b", Role: "viewer", HashFile: file("b", "planted-in-a-file")},
		{Name: "c", Role: "viewer", TokenFile: file("c", "planted")},
		{Name: "d", Role: "viewer", HashFile: file("d", hash+"\n"+hash+"\n")},
		{Name: "e", Role: "viewer", HashFile: file("e", "\n")},
		{Name: "f", Role: "viewer", HashFile: file("f", strings.Repeat("x", 70_000))},
		{Name: "g", Role: "root", HashFile: file("g", hash)},
		{Name: "h", Role: "viewer", HashFile: folder},
	})
	require.Len(t, users, 2)
	assert.Equal(t, "ines", users[0].Name)
	assert.NotEqual(t, Token{}, users[1].Token)
	for _, want := range []string{
		"user a cannot log in: open " + folder + "/absent: no such file", "user b cannot log in: " + folder + "/b: this is no argon2id", "user c cannot log in: " + folder + "/c: the token can be guessed",
		"/d has more than one line", "/e is empty", "/f is larger than", `user g cannot log in: unknown role "root"`, "user h cannot log in: read ",
	} {
		require.ErrorContains(t, err, want)
	}
	assert.NotContains(t, err.Error(), "planted-")
}

// cheap hashes with the least cost that is taken.
func cheap(t testing.TB, password string) Hash {
	h := Hash{memory: minMemory, passes: 1, lanes: 1, salt: []byte("somesalt")}
	h.sum = h.derive(password, sumLength)
	again, err := ParseHash(h.String())
	require.NoError(t, err)
	return again
}

var (
	home  = netip.MustParseAddr("192.0.2.20")
	other = netip.MustParseAddr("192.0.2.66")
)

// rig is a gate with two people, a program and a clock of the test's own.
func rig(t testing.TB) (*Authenticator, []User, *time.Time) {
	now := time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)
	g := New(Options{Now: func() time.Time { return now }})
	token, err := ParseToken("0123456789abcdef0123456789abcdef")
	require.NoError(t, err)
	users := []User{
		{Name: "Ines", Role: Operator, Hash: cheap(t, "fern and fog")}, {Name: "tomas", Role: Viewer, Hash: cheap(t, "leaf litter")}, {Name: "scraper", Role: Viewer, Token: token},
	}
	assert.False(t, g.Needed())
	g.SetUsers(users, true)
	assert.True(t, g.Needed())
	assert.Equal(t, 3, g.Usable())
	return g, users, &now
}

func TestLogInAndSessions(t *testing.T) {
	g, users, now := rig(t)
	key, who, err := g.LogIn(t.Context(), home, "ines", "fern and fog")
	require.NoError(t, err)
	assert.Equal(t, Identity{"Ines", Operator}, who, "the name as it is configured")
	assert.True(t, who.MayAct())
	assert.Len(t, key, 43)
	found, ok := g.Session(key)
	assert.True(t, ok)
	assert.Equal(t, who, found)
	for _, wrong := range []string{"", key[1:], key + "A", "A" + key[1:], strings.Repeat("=", 43)} {
		_, ok := g.Session(wrong)
		assert.False(t, ok, wrong)
	}
	for kept := range g.sessions {
		assert.NotContains(t, fmt.Sprintf("%s", kept), key)
	}
	for _, c := range []struct{ name, password string }{
		{"ines", "Fern and fog"}, {"ines", ""}, {"ines", "fern and fog" + strings.Repeat("x", 2000)}, {"nobody", "fern and fog"}, {"", ""},
		{"scraper", "0123456789abcdef0123456789abcdef"}, // a token is no password
	} {
		_, _, err := g.LogIn(t.Context(), home, c.name, c.password)
		require.ErrorIs(t, err, ErrWrong, "%+v", c)
		*now = now.Add(2 * time.Hour)
	}
	g.LogOut("nonsense")
	g.LogOut(key)
	_, ok = g.Session(key)
	assert.False(t, ok, "logged out")

	key, _, err = g.LogIn(t.Context(), home, "INES", "fern and fog")
	require.NoError(t, err)
	*now = now.Add(Idle)
	_, ok = g.Session(key)
	assert.True(t, ok)
	*now = now.Add(Idle + time.Second)
	_, ok = g.Session(key)
	assert.False(t, ok, "unused for too long")

	key, _, err = g.LogIn(t.Context(), home, "ines", "fern and fog")
	require.NoError(t, err)
	for range 30 {
		*now = now.Add(24 * time.Hour)
		_, ok = g.Session(key)
		assert.True(t, ok)
	}
	*now = now.Add(time.Second)
	_, ok = g.Session(key)
	assert.False(t, ok, "a session ends, however much it is used")

	who, ok = g.Bearer("0123456789abcdef0123456789abcdef")
	assert.True(t, ok)
	assert.Equal(t, Identity{"scraper", Viewer}, who)
	assert.False(t, who.MayAct())
	for _, wrong := range []string{"", "0123456789abcdef0123456789abcdeg", strings.Repeat("\x00", 32)} {
		_, ok = g.Bearer(wrong)
		assert.False(t, ok)
	}
	assert.Equal(t, "Ines", g.Known("iNES"))
	assert.Empty(t, g.Known("fern and fog"))
	assert.Equal(t, users[0].stamp(), users[0].stamp())
}

// What a session rests on has changed: it ends. What others rest on has not.
func TestSessionsEndWithTheUser(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(t *testing.T, users []User) []User
		stays  bool
	}{
		{"nothing", func(_ *testing.T, u []User) []User { return u }, true},
		{"the order", func(_ *testing.T, u []User) []User { return []User{u[2], u[1], u[0]} }, true},
		{"the role", func(_ *testing.T, u []User) []User { u[0].Role = Viewer; return u }, false},
		{"the password", func(t *testing.T, u []User) []User { u[0].Hash = cheap(t, "another password"); return u }, false},
		{"gone", func(_ *testing.T, u []User) []User { return u[1:] }, false},
		{"nobody can be read", func(_ *testing.T, _ []User) []User { return nil }, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			g, users, _ := rig(t)
			key, _, err := g.LogIn(t.Context(), home, "ines", "fern and fog")
			require.NoError(t, err)
			changed := c.change(t, append([]User(nil), users...))
			g.SetUsers(changed, true)
			_, ok := g.Session(key)
			assert.Equal(t, c.stays, ok)
			assert.True(t, g.Needed(), "never open by mistake")
			if len(changed) == 0 {
				_, _, err = g.LogIn(t.Context(), home, "ines", "fern and fog")
				require.ErrorIs(t, err, ErrWrong)
				_, ok = g.Bearer("0123456789abcdef0123456789abcdef")
				assert.False(t, ok)
			}
		})
	}
}

func TestPaceOfTries(t *testing.T) {
	g, _, now := rig(t)
	try := func(from netip.Addr, name, password string) error {
		_, _, err := g.LogIn(t.Context(), from, name, password)
		return err
	}
	for range freeTries {
		require.ErrorIs(t, try(home, "ines", "wrong"), ErrWrong)
	}
	require.Equal(t, WaitError{time.Second}, try(home, "ines", "fern and fog"), "the right one waits too")
	require.Equal(t, WaitError{time.Second}, try(home, "ineſ", "fern and fog"), "in every spelling")
	require.Equal(t, WaitError{time.Second}, try(home, "tomas", "leaf litter"), "by any name")
	require.NoError(t, try(other, "ines", "fern and fog"), "who tries from elsewhere keeps nobody out")
	for _, want := range []time.Duration{2 * time.Second, 4 * time.Second, 8 * time.Second, 16 * time.Second, 32 * time.Second, 64 * time.Second} {
		_, ok := try(home, "ines", "wrong").(WaitError)
		require.True(t, ok)
		*now = now.Add(g.byAddress.wait(Network(home), *now))
		require.ErrorIs(t, try(home, "ines", "wrong"), ErrWrong)
		assert.Equal(t, want, g.byAddress.wait(Network(home), *now))
	}
	for range 20 {
		*now = now.Add(g.byAddress.wait(Network(home), *now))
		require.ErrorIs(t, try(home, "ines", "wrong"), ErrWrong)
		assert.LessOrEqual(t, g.byAddress.wait(Network(home), *now), maxWait)
	}
	*now = now.Add(maxWait)
	require.NoError(t, try(home, "ines", "fern and fog"), "forgiven")
	*now = now.Add(forgiveAfter + time.Second)
	for range freeTries {
		require.ErrorIs(t, try(home, "ines", "wrong"), ErrWrong)
	}
}

// A user's own successful log-in does not reset the count of failed tries at other users' passwords.
func TestOwnLogInForgivesNoTryAtOthers(t *testing.T) {
	g, _, _ := rig(t)
	tries := 0
	for range 50 {
		_, _, err := g.LogIn(t.Context(), home, "tomas", "leaf litter")
		require.NoError(t, err)
		if _, _, err = g.LogIn(t.Context(), home, "ines", "wrong"); errors.Is(err, ErrWrong) {
			tries++
		}
	}
	assert.Equal(t, freeTries, tries)
}

// Twenty addresses that try wrong passwords without end keep the keeper out of nothing, neither at an address from which they
// have logged in before nor at a fresh one; all strangers together may compute so many hashes, and no more.
func TestOthersDoNotKeepTheKeeperOut(t *testing.T) {
	g, _, now := rig(t)
	attacker := func(i int) netip.Addr { return netip.AddrFrom4([4]byte{198, 51, byte(i >> 8), byte(i)}) }
	hashes := 0
	attack := func(addresses int) {
		for i := range addresses {
			if _, _, err := g.LogIn(t.Context(), attacker(i), "ines", "wrong"); errors.Is(err, ErrWrong) {
				hashes++
			}
		}
	}
	for i := range 47 {
		for range 3 {
			attack(20)
		}
		_, _, err := g.LogIn(t.Context(), netip.AddrFrom4([4]byte{203, 0, 113, byte(i)}), "ines", "fern and fog")
		require.NoError(t, err, "try %d", i)
		*now = now.Add(time.Second)
	}
	hashes = 0
	for range 100 {
		attack(2000)
		*now = now.Add(time.Second)
	}
	assert.LessOrEqual(t, hashes, workRoom+100/2+1)
	_, _, err := g.LogIn(t.Context(), netip.MustParseAddr("203.0.113.1"), "ines", "fern and fog")
	require.NoError(t, err, "a known network is no stranger")
	_, _, err = g.LogIn(t.Context(), netip.MustParseAddr("192.0.2.77"), "ines", "fern and fog")
	require.ErrorAs(t, err, new(WaitError), "from thousands of addresses at once strangers are kept out")
}

// Sessions outlive a restart, unless they were ended or their user was changed meanwhile. The file holds no secret that logs
// in, and only its owner may read it.
func TestSessionsOutliveARestart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db.sessions")
	_, users, now := rig(t)
	start := func(users []User) *Authenticator {
		g := New(Options{
			Now: func() time.Time { return *now }, SessionFile: path, Failed: func(err error) { t.Error(err) },
		})
		g.SetUsers(users, true)
		return g
	}
	g := start(users)
	login := func(name, password string) string {
		key, _, err := g.LogIn(t.Context(), home, name, password)
		require.NoError(t, err)
		return key
	}
	ines, tomas, left := login("ines", "fern and fog"), login("tomas", "leaf litter"), login("ines", "fern and fog")
	g.LogOut(left)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	for _, key := range []string{ines, tomas, left, "fern and fog", users[0].Hash.String()} {
		assert.NotContains(t, string(text), key)
	}
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	g = start(users) // as after kill -9
	who, ok := g.Session(ines)
	assert.True(t, ok)
	assert.Equal(t, Identity{"Ines", Operator}, who)
	_, ok = g.Session(left)
	assert.False(t, ok, "logged out")
	*now = now.Add(Idle - time.Hour)
	_, ok = g.Session(ines)
	assert.True(t, ok)
	g.Close()
	changed := append([]User(nil), users...)
	changed[1].Hash = cheap(t, "another password")
	*now = now.Add(2 * time.Hour)
	g = start(changed)
	_, ok = g.Session(tomas)
	assert.False(t, ok, "the password was changed while the daemon was away")
	_, ok = g.Session(ines)
	assert.True(t, ok, "in use")
	*now = now.Add(Idle + time.Second)
	_, ok = start(users).Session(ines)
	assert.False(t, ok, "unused for too long")
	_, ok = start(users[1:]).Session(ines)
	assert.False(t, ok)
	g = start(users)
	_, ok = g.Session(ines)
	assert.False(t, ok, "a user who was removed and comes back logs in again")
	_, known := g.known[Network(home)]
	assert.False(t, known)
}

// A file that is damaged costs a log-in, and nothing else.
func TestDamagedSessionFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db.sessions")
	rapid.Check(t, func(r *rapid.T) {
		text := rapid.SliceOf(rapid.Byte()).Draw(r, "text")
		if rapid.Bool().Draw(r, "like one") {
			text = []byte(rapid.StringMatching(`\[\{"key":"[0-9a-f]{60,66}","user":"ines","stamp":"","began":"2026"\}\]`).Draw(r, "text"))
		}
		require.NoError(t, os.WriteFile(path, text, 0o600))
		var failures []error
		g := New(Options{SessionFile: path, Failed: func(err error) { failures = append(failures, err) }})
		g.SetUsers([]User{{Name: "Ines", Role: Operator, Hash: cheap(t, "fern and fog")}}, true)
		_, ok := g.Session(strings.Repeat("A", 43))
		require.False(t, ok)
		_, _, err := g.LogIn(t.Context(), home, "ines", "fern and fog")
		require.NoError(t, err)
	})
}

// All addresses of one network count as one source, and a flood of names and addresses does not grow the memory in use.
func TestPaceIsBounded(t *testing.T) {
	assert.Equal(t, Network(netip.MustParseAddr("2001:db8:1:2::3")), Network(netip.MustParseAddr("2001:db8:1:2:ffff::9%eth0")))
	assert.NotEqual(t, Network(netip.MustParseAddr("2001:db8:1:2::3")), Network(netip.MustParseAddr("2001:db8:1:3::3")))
	assert.Equal(t, Network(home), Network(netip.MustParseAddr("::ffff:192.0.2.20")))
	p := newPace()
	now := time.Now()
	assert.Zero(t, testing.AllocsPerRun(100, func() { p.fail("192.0.2.1", now) }))
	for i := range 100_000 {
		p.fail(fmt.Sprint(i), now)
	}
	assert.LessOrEqual(t, p.wait("7", now), maxWait)
	assert.Len(t, p.tries, maxCounted)
}

func TestSessionsAreBounded(t *testing.T) {
	g, _, now := rig(t)
	open := func(name string) string {
		*now = now.Add(time.Second)
		return g.begin(g.user(name), Network(home), *now)
	}
	first, tomas := open("ines"), open("tomas")
	for range maxUserSessions {
		open("ines")
	}
	_, ok := g.Session(first)
	assert.False(t, ok, "the one used longest ago has given way")
	_, ok = g.Session(tomas)
	assert.True(t, ok, "and nobody else's")
	assert.Len(t, g.sessions, maxUserSessions+1)
	for i := range 100 {
		g.users = append(g.users, User{Name: fmt.Sprintf("u%d", i), Role: Viewer})
		open(fmt.Sprintf("u%d", i))
	}
	assert.Len(t, g.sessions, maxSessions)
	*now = now.Add(Lifetime + time.Second)
	open("ines")
	assert.Len(t, g.sessions, 1, "what is over is swept out")
}

// An unknown name is tried against a hash of the same cost, always the same one for the same name.
func TestUnknownNamesCostTheSame(t *testing.T) {
	g, users, _ := rig(t)
	for _, name := range []string{"nobody", "scraper", "", "root"} {
		hash, real := g.hashOf(name)
		assert.False(t, real)
		again, _ := g.hashOf(name)
		assert.Equal(t, hash, again)
		assert.Contains(t, []string{users[0].Hash.String(), users[1].Hash.String()}, hash.String())
	}
	_, _, err := g.LogIn(t.Context(), home, "nobody", "fern and fog")
	require.ErrorIs(t, err, ErrWrong, "even with the password of somebody")
	g.SetUsers(users[2:], true)
	hash, real := g.hashOf("nobody")
	assert.False(t, real)
	assert.Equal(t, [2]uint32{newMemory, newPasses}, [2]uint32{hash.memory, hash.passes})
}

// One hash is computed at a time; from one network few wait, so that others get their turn, and known networks go first.
func TestOneHashAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, _, _ := rig(t)
		require.NoError(t, g.line.enter(t.Context(), "another", false)) // occupies the one place in which a hash is computed
		ctx, cancel := context.WithCancel(t.Context())
		var wait sync.WaitGroup
		errs := make(chan error, 2*maxWaiting)
		for i := range maxWaiting / 2 {
			for range maxNetworkWaiting {
				wait.Go(func() {
					_, _, err := g.LogIn(ctx, netip.AddrFrom4([4]byte{198, 51, 100, byte(i)}), fmt.Sprint("n", i), "x")
					errs <- err
				})
			}
		}
		synctest.Wait()
		_, _, err := g.LogIn(ctx, netip.AddrFrom4([4]byte{198, 51, 100, 0}), "ines", "fern and fog")
		require.ErrorIs(t, err, ErrBusy, "enough from there")
		_, _, err = g.LogIn(ctx, home, "ines", "fern and fog")
		require.ErrorIs(t, err, ErrBusy, "a stranger")
		g.remember(Network(home), time.Now())
		done := make(chan error, 1)
		wait.Go(func() {
			_, _, err := g.LogIn(ctx, home, "ines", "fern and fog")
			done <- err
			cancel()
		})
		synctest.Wait()
		g.line.leave()
		require.NoError(t, <-done, "ahead of all strangers")
		wait.Wait()
		close(errs)
		ended := 0
		for err := range errs {
			if !errors.Is(err, ErrWrong) {
				require.ErrorIs(t, err, context.Canceled)
				ended++
			}
		}
		assert.Positive(t, ended)
		_, _, err = g.LogIn(t.Context(), home, "ines", "fern and fog")
		require.NoError(t, err, "and then it goes on")
		assert.False(t, g.line.busy)
		assert.Empty(t, g.line.waiting)
	})
}

func BenchmarkLogIn(b *testing.B) {
	h, err := NewHash("damp moss and oak")
	require.NoError(b, err)
	for b.Loop() {
		require.True(b, h.matches("damp moss and oak"))
	}
}

// FuzzHash: whatever a file holds, reading it ends without a costly hash, and what is taken prints as it was read.
func FuzzHash(f *testing.F) {
	f.Add("$argon2id$v=19$m=65536,t=2,p=1$" + salt + "$" + sum)
	f.Add("$argon2id$v=19$m=7168,t=10,p=4$" + salt + "$" + sum)
	f.Add("$2b$12$XajjQvNhvvRt5GSeFk1xFeyqRrsxkhBkUiQeg0dt.wU1qD4aFDcga")
	f.Add("$argon2id$v=19$m=4294967295,t=4294967295,p=255$$")
	f.Fuzz(func(t *testing.T, text string) {
		h, err := ParseHash(text)
		if err != nil {
			if h.given() {
				t.Fatalf("a hash beside the error %v", err)
			}
			return
		}
		if h.String() != text {
			t.Fatalf("%q became %q", text, h)
		}
		if h.bcrypt == "" && (h.memory > maxMemory || h.passes > maxPasses || h.lanes > maxLanes || h.lanes == 0 || len(h.sum) < minSum) {
			t.Fatalf("%q is taken", text)
		}
	})
}

// FuzzToken: what is taken has the letters of RFC 6750 and room for 128 bits, and is let in again by the same text only.
func FuzzToken(f *testing.F) {
	f.Add("0123456789abcdef0123456789abcdef")
	f.Add("Zm9vYmFyYmF6cXV4MTIzNA==")
	f.Add("====")
	f.Add("\xff\x00")
	f.Fuzz(func(t *testing.T, text string) {
		token, err := ParseToken(text)
		if err != nil {
			return
		}
		if len(text) < 22 || len(text) > maxToken || strings.ContainsAny(text, " \r\n\t,;\"") {
			t.Fatalf("%q is taken", text)
		}
		g := New(Options{})
		g.SetUsers([]User{{Name: "scraper", Role: Viewer, Token: token}}, true)
		if _, ok := g.Bearer(text); !ok {
			t.Fatal("the token is not known again")
		}
		if _, ok := g.Bearer(text + "x"); ok {
			t.Fatal("another text is let in")
		}
	})
}

// FuzzKey: no text from outside is the key of a session but the key.
func FuzzKey(f *testing.F) {
	g, _, now := rig(f)
	key := g.begin(g.user("ines"), Network(home), *now)
	f.Add(strings.Repeat("A", 43))
	f.Add(key[:42])
	f.Add("")
	f.Fuzz(func(t *testing.T, text string) {
		if _, ok := g.Session(text); ok && text != key {
			t.Fatalf("%q has a session", text)
		}
		g.LogOut(text + ".")
		if _, ok := g.Session(key); !ok {
			t.Fatal("the session has ended")
		}
	})
}
