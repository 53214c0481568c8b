package auth

import (
	"crypto/sha256"
	"encoding/base64"
	"time"
)

// How long a session lasts. A phone that looks in every day stays logged in for a month. Common practice, no published source.
const (
	Idle     = 7 * 24 * time.Hour  // without a request
	Lifetime = 30 * 24 * time.Hour // in all
)

// How many sessions there may be. The one that was used longest ago gives way.
const (
	maxSessions     = 64
	maxUserSessions = 12
)

// session is a log-in that has not ended. Of its key only the SHA-256 is stored.
type session struct {
	who         Identity
	stamp       Token
	network     string // from which it was begun
	began, used time.Time
	saved       time.Time // the latest wall-clock time of use that the file has
}

func (s *session) over(now time.Time) bool {
	return now.Sub(s.used) > Idle || now.Sub(s.began) > Lifetime
}

const keyLength = 43 // of 32 bytes in base64url without padding

// sessionKey returns what a key is kept by. ok is false for what cannot be a key.
func sessionKey(text string) (Token, bool) {
	if len(text) != keyLength {
		return Token{}, false
	}
	if raw, err := base64.RawURLEncoding.Strict().DecodeString(text); err != nil || len(raw) != 32 {
		return Token{}, false
	}
	return sha256.Sum256([]byte(text)), true
}

// begin opens a session and returns its key. The lock is held.
func (g *Authenticator) begin(user *User, network string, now time.Time) string {
	own := 0
	for key, s := range g.sessions {
		if s.over(now) {
			delete(g.sessions, key)
		} else if s.who.Name == user.Name {
			own++
		}
	}
	if own >= maxUserSessions {
		g.endOldest(user.Name)
	} else if len(g.sessions) >= maxSessions {
		g.endOldest("")
	}
	text := random256()
	g.sessions[sha256.Sum256([]byte(text))] = &session{
		who: Identity{user.Name, user.Role}, stamp: user.stamp(), network: network, began: now, used: now, saved: now.Round(0),
	}
	return text
}

// endOldest ends the session that was used longest ago: of one user, or of all.
func (g *Authenticator) endOldest(name string) {
	var oldest Token
	var at *session
	for key, s := range g.sessions {
		if (name == "" || s.who.Name == name) && (at == nil || s.used.Before(at.used)) {
			oldest, at = key, s
		}
	}
	delete(g.sessions, oldest)
}

// Session returns who has the session of a key.
func (g *Authenticator) Session(key string) (Identity, bool) {
	sum, ok := sessionKey(key)
	if !ok {
		return Identity{}, false
	}
	who, due, ok := g.use(sum)
	if due {
		g.keep()
	}
	return who, ok
}

// use notes that a session is used, and reports whether that is due to be written.
func (g *Authenticator) use(key Token) (who Identity, due, ok bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	s, ok := g.sessions[key]
	if !ok {
		return Identity{}, false, false
	}
	now := g.now()
	if s.over(now) {
		delete(g.sessions, key)
		return Identity{}, true, false
	}
	s.used = now
	if due = now.Round(0).Sub(s.saved) > saveEvery; due {
		s.saved = now.Round(0)
	}
	return s.who, due, true
}

// LogOut ends the session of a key, if there is one.
func (g *Authenticator) LogOut(key string) {
	sum, ok := sessionKey(key)
	if !ok {
		return
	}
	g.mu.Lock()
	_, open := g.sessions[sum]
	delete(g.sessions, sum)
	g.mu.Unlock()
	if open {
		g.keep()
	}
}
