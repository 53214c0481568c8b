package access

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
}

// Who is somebody who has been let in.
type Who struct {
	Name string
	Role Role
}

// MayAct reports whether commands of this user are carried out.
func (w Who) MayAct() bool { return w.Role == Operator }

// Gate lets users in. It may be used from many goroutines.
type Gate struct {
	now   func() time.Time
	turn  chan struct{} // one hash is computed at a time: it takes megabytes
	queue chan struct{} // bounds those who wait for their turn

	mu        sync.Mutex
	needed    bool
	users     []User
	sessions  map[Token]*session
	byUser    *pace
	byAddress *pace
	decoy     [32]byte // chooses whose hash an unknown name is tried against
}

// mostWaiting is how many may wait for a hash to be computed.
const mostWaiting = 8

// New returns a gate without users: it asks for nothing until SetUsers.
func New(o Options) *Gate {
	if o.Now == nil {
		o.Now = time.Now
	}
	g := &Gate{
		now: o.Now, turn: make(chan struct{}, 1), queue: make(chan struct{}, mostWaiting), sessions: map[Token]*session{},
		byUser: newPace(mostUserWait, mostUserDouble), byAddress: newPace(mostAddrWait, mostAddrDouble),
	}
	_, _ = rand.Read(g.decoy[:]) // never fails (crypto/rand)
	return g
}

// SetUsers puts users in force. needed tells whether anybody must log in at all: where users are configured and none of them
// could be read, nobody is let in. Sessions of users who have gone, or whose role or password has changed, end.
func (g *Gate) SetUsers(users []User, needed bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.users, g.needed = users, needed || len(users) > 0
	for key, s := range g.sessions {
		user := g.user(s.who.Name)
		if user == nil || user.stamp() != s.stamp {
			delete(g.sessions, key)
		}
	}
}

// Needed reports whether a log-in is needed.
func (g *Gate) Needed() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.needed
}

// Usable returns how many users can be let in.
func (g *Gate) Usable() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return len(g.users)
}

// Known returns the name of a user as it is configured, and "" for a name that nobody has: what was typed there may be a
// password, and must not be logged.
func (g *Gate) Known(name string) string {
	g.mu.Lock()
	defer g.mu.Unlock()
	if user := g.user(name); user != nil {
		return user.Name
	}
	return ""
}

// user returns the user of a name, or nil. Phones like to begin names with a capital.
func (g *Gate) user(name string) *User {
	for i := range g.users {
		if strings.EqualFold(g.users[i].Name, name) {
			return &g.users[i]
		}
	}
	return nil
}

// stamp changes with everything that a session depends on.
func (u *User) stamp() [32]byte {
	return sha256.Sum256(fmt.Appendf(nil, "%q %q %q %x", u.Name, u.Role, u.Hash.String(), u.Token))
}

// The reasons why somebody is not let in.
var (
	ErrWrong = errors.New("the name or the password is wrong")
	ErrBusy  = errors.New("too many people are logging in at this moment")
)

// WaitError says that there were too many failures.
type WaitError struct{ For time.Duration }

// Error tells how long to wait.
func (e WaitError) Error() string {
	return fmt.Sprintf("too many attempts have failed: wait %d s", e.Seconds())
}

// Seconds returns the wait in whole seconds, rounded up.
func (e WaitError) Seconds() int { return int((e.For + time.Second - 1) / time.Second) }

// LogIn tries a password and returns the key of a new session. The errors are [ErrWrong], [ErrBusy], a [WaitError], and that
// of the context. A name that nobody has costs as much time as a wrong password.
func (g *Gate) LogIn(ctx context.Context, from netip.Addr, name, password string) (key string, who Who, err error) {
	if err := g.mayTry(from, name); err != nil {
		return "", Who{}, err
	}
	select {
	case g.queue <- struct{}{}:
		defer func() { <-g.queue }()
	default:
		return "", Who{}, ErrBusy
	}
	select {
	case g.turn <- struct{}{}:
		defer func() { <-g.turn }()
	case <-ctx.Done():
		return "", Who{}, ctx.Err()
	}
	if err := g.mayTry(from, name); err != nil { // others may have failed meanwhile
		return "", Who{}, err
	}
	hash, real := g.hashOf(name)
	if len(password) > MostPassword {
		password, real = "", false
	}
	matches := hash.matches(password)

	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	// The user may have been changed while the hash was computed.
	user := g.user(name)
	if !matches || !real || user == nil || user.Hash.String() != hash.String() {
		g.byUser.fail(g.paceKey(name), now)
		g.byAddress.fail(network(from), now)
		return "", Who{}, ErrWrong
	}
	g.byUser.forgive(g.paceKey(name))
	g.byAddress.forgive(network(from))
	who = Who{user.Name, user.Role}
	return g.begin(user, now), who, nil
}

func (g *Gate) mayTry(from netip.Addr, name string) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	now := g.now()
	if wait := max(g.byUser.wait(g.paceKey(name), now), g.byAddress.wait(network(from), now)); wait > 0 {
		return WaitError{wait}
	}
	return nil
}

// paceKey is what the tries of a name are counted by: all spellings that lead to a user are one.
func (g *Gate) paceKey(name string) string {
	if user := g.user(name); user != nil {
		name = user.Name
	}
	return strings.ToLower(name)
}

// hashOf returns the hash to try a name against, and whether it is that of the name. For a name without one it is the hash of
// some user, the same for the same name, so that the time tells nothing.
func (g *Gate) hashOf(name string) (hash Hash, real bool) {
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
func (g *Gate) Bearer(text string) (Who, bool) {
	sum := Token(sha256.Sum256([]byte(text)))
	g.mu.Lock()
	defer g.mu.Unlock()
	var who Who
	found := false
	for i := range g.users {
		u := &g.users[i]
		if u.Token != (Token{}) && subtle.ConstantTimeCompare(u.Token[:], sum[:]) == 1 {
			who, found = Who{u.Name, u.Role}, true
		}
	}
	return who, found
}
