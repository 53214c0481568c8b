package auth

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"
	"time"
)

// savedSession is a session as the file holds it. Of its key only the SHA-256 is stored, which does not log in.
type savedSession struct {
	Key     Token     `json:"key"`
	User    string    `json:"user"`
	Stamp   Token     `json:"stamp"`
	Network string    `json:"network"`
	Began   time.Time `json:"began"`
	Used    time.Time `json:"used"`
}

// MarshalText writes the hash of a key for a file.
func (t Token) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, t[:]), nil }

// UnmarshalText reads it back.
func (t *Token) UnmarshalText(text []byte) error {
	sum, err := hex.DecodeString(string(text))
	if err != nil || len(sum) != len(t) {
		return errors.New("this is no hash of a key")
	}
	*t = Token(sum)
	return nil
}

// saveEvery is how often it is written that a session is still used: a card wears with every write.
const saveEvery = 6 * time.Hour

// maxSessionFile bounds what is read: sessions are few and small.
const maxSessionFile = 64 << 10

// restore reads the sessions of the last run. They hold once [Gate.SetUsers] has found their users unchanged.
func (g *Authenticator) restore() error {
	file, err := os.Open(g.file)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("the sessions of the last run: %w", err)
	}
	defer func() { _ = file.Close() }() // only read
	text, err := io.ReadAll(io.LimitReader(file, maxSessionFile))
	if err != nil {
		return fmt.Errorf("the sessions of the last run: %w", err)
	}
	var saved []savedSession
	if err := json.Unmarshal(text, &saved); err != nil || len(saved) > maxSessions {
		return fmt.Errorf("the sessions of the last run: %s is damaged, and all users must log in again", g.file)
	}
	for _, s := range saved {
		g.sessions[s.Key] = &session{who: Identity{Name: s.User}, stamp: s.Stamp, network: s.Network, began: s.Began, used: s.Used, saved: s.Used}
	}
	return nil
}

// keep writes the sessions, and waits for a disk that is slow, but not for one that hangs.
func (g *Authenticator) keep() {
	if g.file == "" {
		return
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		g.save()
	}()
	select {
	case <-done:
	case <-time.After(patience):
	}
}

const patience = 2 * time.Second

// save writes the sessions. What cannot be written is reported, and costs a log-in after the next start.
func (g *Authenticator) save() {
	g.saving.Lock()
	defer g.saving.Unlock()
	g.mu.Lock()
	saved := make([]savedSession, 0, len(g.sessions))
	for key, s := range g.sessions {
		if wall := s.used.Round(0); wall.After(s.saved) { // a board without a battery starts in the past
			s.saved = wall
		}
		saved = append(saved, savedSession{key, s.who.Name, s.stamp, s.network, s.began.Round(0), s.saved})
	}
	g.mu.Unlock()
	if err := g.write(saved); err != nil && g.failed != nil {
		g.failed(err)
	}
}

func (g *Authenticator) write(saved []savedSession) (err error) {
	text, err := json.Marshal(saved)
	if err != nil {
		return err
	}
	file, err := os.OpenFile(g.file+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return fmt.Errorf("the sessions are not kept over a restart: %w", err)
	}
	defer func() {
		if err != nil {
			_ = os.Remove(file.Name())
			err = fmt.Errorf("the sessions are not kept over a restart: %w", err)
		}
	}()
	_, err = file.Write(text)
	if err = errors.Join(err, file.Sync(), file.Close()); err != nil {
		return err
	}
	return os.Rename(file.Name(), g.file)
}

// Close writes when each session was used last.
func (g *Authenticator) Close() {
	g.mu.Lock()
	open := len(g.sessions) > 0
	g.mu.Unlock()
	if open {
		g.keep()
	}
}
