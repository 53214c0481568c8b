// Package claim keeps two programs from using the same thing: the history, the control socket, the web address or the MQTT client
// id of a site. A claim ends with the process that holds it, however that ends, since the kernel releases what claims are made of:
// file locks (flock(2)), listening addresses and abstract sockets (unix(7)).
//
//	held, taken := claim.Take(claim.Holder{PID: os.Getpid(), Since: time.Now(), Config: path},
//		claim.File("the history", "/var/lib/dewline/history.db"),
//		claim.Address("the web address", "127.0.0.1:8420"))
//	if taken != nil { // it says who holds what
//
// A thing that cannot be claimed, for example since its folder cannot be written, is no conflict: its user reports the error.
package claim

import (
	"errors"
	"io"
	"slices"
	"time"
)

// Holder is a process that holds something. Only PID is always set; 0 means that even that is unknown.
type Holder struct {
	PID    int
	Since  time.Time // zero where it is not known
	Config string    // of a dewline, "" where it is not known
	Line   string    // the command line, "" where it is not known
}

// Held is a set of claims in force.
type Held struct{ closers []io.Closer }

// Release ends the claims. A nil Held holds nothing.
func (h *Held) Release() error {
	if h == nil {
		return nil
	}
	var errs []error
	for _, c := range slices.Backward(h.closers) {
		errs = append(errs, c.Close())
	}
	h.closers = nil
	return errors.Join(errs...)
}

// Conflict is one thing that is held by another process, or elsewhere in this one.
type Conflict struct {
	What   string // such as "the history /var/lib/dewline/history.db"
	Holder Holder
}

// Taken are the conflicts that kept [Take] from claiming.
type Taken []Conflict

// Claim is one thing to be claimed.
type Claim struct {
	what string
	take func(me Holder) (io.Closer, *Holder) // both nil where there is nothing to hold
}

// Take claims everything, or nothing if other processes hold some of it.
func Take(me Holder, claims ...Claim) (*Held, Taken) {
	held := &Held{}
	var taken Taken
	for _, c := range claims {
		closer, holder := c.take(me)
		if holder != nil {
			taken = append(taken, Conflict{c.what, *holder})
		} else if closer != nil {
			held.closers = append(held.closers, closer)
		}
	}
	if len(taken) > 0 {
		_ = held.Release() // nothing was written that could be lost
		return nil, taken
	}
	return held, nil
}
