package auth

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/binary"
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"sync"
	"time"
)

// Options of a gate. The zero value is usable.
type Options struct {
	// Now returns the time; nil means time.Now. Only differences count, so that steps of the wall clock do no harm.
	Now func() time.Time
	// SessionFile is where sessions are kept over a restart; "" keeps them in memory only.
	SessionFile string
	// Failed is called with what kept sessions from being kept; nil means that it does not matter.
	Failed func(error)
}

// Identity is a user who has logged in or shown a token.
type Identity struct {
	Name string
	Role Role
}

// MayAct reports whether commands of this user are carried out.
func (w Identity) MayAct() bool { return w.Role == Operator }

// Gate lets users in. It may be used from many goroutines.
type Authenticator struct {
	now    func() time.Time
	line   line // of those who wait for a hash to be computed
	file   string
	failed func(error)
	saving sync.Mutex // one writes the file at a time; taken before mu

	mu        sync.Mutex
	needed    bool
	users     []User
	sessions  map[Token]*session
	known     map[string]time.Time // networks with a successful log-in, and its time
	byTry     *throttle            // by network and name
	byAddress *throttle
	work      budget
	decoy     [32]byte // chooses whose hash an unknown name is tried against
}

// New returns a gate without users: it asks for nothing until SetUsers.
func New(o Options) *Authenticator {
	if o.Now == nil {
		o.Now = time.Now
	}
	g := &Authenticator{
		now: o.Now, file: o.SessionFile, failed: o.Failed, sessions: map[Token]*session{}, known: map[string]time.Time{},
		byTry: newPace(), byAddress: newPace(),
	}
	_, _ = rand.Read(g.decoy[:]) // never fails (crypto/rand)
	if g.file != "" {
		if err := g.restore(); err != nil && g.failed != nil {
			g.failed(err)
		}
	}
	return g
}

// SetUsers replaces the users. needed reports whether log-in is required at all: if users are configured but none of them could
// be read, every log-in is refused. Sessions of removed users, and of users whose role or password has changed, end.
func (g *Authenticator) SetUsers(users []User, needed bool) {
	g.mu.Lock()
	g.users, g.needed = users, needed || len(users) > 0
	ended := false
	for key, s := range g.sessions {
		user := g.user(s.who.Name)
		if user == nil || user.stamp() != s.stamp {
			delete(g.sessions, key)
			ended = true
			continue
		}
		s.who = Identity{user.Name, user.Role}
		g.remember(s.network, s.began)
	}
	g.mu.Unlock()
	if ended {
		g.keep()
	}
}

// Needed reports whether a log-in is needed.
func (g *Authenticator) Needed() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.needed
}

// Usable returns how many users can be let in.
func (g *Authenticator) Usable() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return len(g.users)
}

// Known returns the name of a user as it is configured, and "" for an unknown name, which may be a password typed into the
// wrong field and must not be logged.
func (g *Authenticator) Known(name string) string {
	g.mu.Lock()
	defer g.mu.Unlock()
	if user := g.user(name); user != nil {
		return user.Name
	}
	return ""
}

// user returns the user of a name, or nil. Phones like to begin names with a capital.
func (g *Authenticator) user(name string) *User {
	for i := range g.users {
		if strings.EqualFold(g.users[i].Name, name) {
			return &g.users[i]
		}
	}
	return nil
}

// stamp changes with everything that a session depends on.
func (u *User) stamp() Token {
	return sha256.Sum256(fmt.Appendf(nil, "%q %q %q %x", u.Name, u.Role, u.Hash.String(), u.Token))
}

// The reasons for which a log-in is refused. A [WaitError] is another.
var (
	ErrWrong = errors.New("the name or the password is wrong")
	ErrBusy  = errors.New("too many people are logging in at this moment")
)

// WaitError says that there were too many failures.
type WaitError struct{ For time.Duration }

// Error says how long to wait, in whole seconds.
func (e WaitError) Error() string {
	return fmt.Sprintf("too many attempts have failed: wait %d s", e.Seconds())
}

// Seconds returns the wait in whole seconds, rounded up.
func (e WaitError) Seconds() int { return int((e.For + time.Second - 1) / time.Second) }

// LogIn tries a password and returns the key of a new session. The errors are [ErrWrong], [ErrBusy], a [WaitError], and that
// of the context. An unknown name takes as much time as a wrong password.
func (g *Authenticator) LogIn(ctx context.Context, from netip.Addr, name, password string) (key string, who Identity, err error) {
	network := Network(from)
	known, err := g.mayTry(network, name)
	if err != nil {
		return "", Identity{}, err
	}
	if key, who, err = g.try(ctx, network, known, name, password); err == nil {
		g.keep()
	}
	return key, who, err
}

// try computes a hash when it is its turn.
func (g *Authenticator) try(ctx context.Context, network string, known bool, name, password string) (key string, who Identity, err error) {
	if err := g.line.enter(ctx, network, known); err != nil {
		return "", Identity{}, err
	}
	defer g.line.leave()
	if _, err := g.mayTry(network, name); err != nil { // others may have failed meanwhile
		return "", Identity{}, err
	}
	hash, real := g.hashOf(name)
	if len(password) > MaxPassword {
		password, real = "", false
	}
	matches := hash.matches(password)
	return g.decide(network, name, hash, matches && real)
}

// decide counts a try, and opens a session where it was right.
func (g *Authenticator) decide(network, name string, hash Hash, right bool) (key string, who Identity, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	// The user may have been changed while the hash was computed.
	user := g.user(name)
	if !right || user == nil || user.Hash.String() != hash.String() {
		g.byTry.fail(network+" "+g.paceKey(name), now)
		g.byAddress.fail(network, now)
		if _, known := g.known[network]; !known {
			g.work.spend(now)
		}
		return "", Identity{}, ErrWrong
	}
	g.byTry.forgive(network + " " + g.paceKey(name))
	g.byAddress.forgive(network)
	g.remember(network, now)
	return g.begin(user, network, now), Identity{user.Name, user.Role}, nil
}

// mayTry reports whether the network has had a successful log-in. The error is a [WaitError].
func (g *Authenticator) mayTry(network, name string) (known bool, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	_, known = g.known[network]
	wait := max(g.byTry.wait(network+" "+g.paceKey(name), now), g.byAddress.wait(network, now))
	if !known {
		wait = max(wait, g.work.wait(now))
	}
	if wait > 0 {
		return known, WaitError{wait}
	}
	return known, nil
}

// maxKnown bounds the networks that are remembered.
const maxKnown = 64

// remember notes a network with a successful log-in. The lock is held.
func (g *Authenticator) remember(network string, at time.Time) {
	if g.known[network] = at; len(g.known) <= maxKnown {
		return
	}
	oldest := network
	for n, seen := range g.known {
		if seen.Before(g.known[oldest]) {
			oldest = n
		}
	}
	delete(g.known, oldest)
}

// paceKey is what the tries of a name are counted by: all spellings that lead to a user are one.
func (g *Authenticator) paceKey(name string) string {
	if user := g.user(name); user != nil {
		name = user.Name
	}
	return strings.ToLower(name)
}

// hashOf returns the hash to try a name against, and whether it is that of the name. For a name without one it is the hash of
// some user, the same for the same name, so that the time of an answer does not reveal which names exist.
func (g *Authenticator) hashOf(name string) (hash Hash, real bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if user := g.user(name); user != nil && user.Hash.given() {
		return user.Hash, true
	}
	var hashes []Hash
	for i := range g.users {
		if g.users[i].Hash.given() {
			hashes = append(hashes, g.users[i].Hash)
		}
	}
	if len(hashes) == 0 {
		return Hash{memory: newMemory, passes: newPasses, lanes: newLanes, salt: g.decoy[:saltLength], sum: g.decoy[:]}, false
	}
	mac := hmac.New(sha256.New, g.decoy[:])
	mac.Write([]byte(strings.ToLower(name))) // never fails (hash.Hash)
	return hashes[binary.BigEndian.Uint64(mac.Sum(nil))%uint64(len(hashes))], false
}

// Bearer returns whose token this is. All tokens are looked at whatever the first one says.
func (g *Authenticator) Bearer(text string) (Identity, bool) {
	sum := Token(sha256.Sum256([]byte(text)))
	g.mu.Lock()
	defer g.mu.Unlock()
	var who Identity
	found := false
	for i := range g.users {
		u := &g.users[i]
		if u.Token != (Token{}) && subtle.ConstantTimeCompare(u.Token[:], sum[:]) == 1 {
			who, found = Identity{u.Name, u.Role}, true
		}
	}
	return who, found
}
