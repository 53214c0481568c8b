package broker

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/crypto/bcrypt"

	"dewline/internal/mqtt"
	"dewline/internal/secretfile"
)

// internalUser is the name under which the program itself logs in.
const internalUser = "dewline-daemon"

// rule allows or denies one kind of access to the topics of a filter.
type rule struct {
	allow  bool
	write  bool
	filter string
}

// account is a user and what the user may do.
type account struct {
	name     string
	hash     []byte // of bcrypt; nil for the nameless and the internal user
	internal bool
	rules    []rule
}

// may reports whether the account may read or write a topic, or subscribe to a filter. The first rule that fits decides.
func (a *account) may(write bool, topic string) bool {
	if topic == "" || len(topic) > maxTopic || strings.Count(topic, "/") >= maxLevels || write && strings.HasPrefix(topic, "$") {
		return false
	}
	for _, r := range a.rules {
		if r.write == write && mqtt.Match(r.filter, topic) {
			return r.allow
		}
	}
	return false
}

// maySubscribe reports whether the account may subscribe to a filter. A user's filter must be covered by a rule, so that a mistake
// is noticed. A client without a name may subscribe to everything, since people use that to look around; it gets what it may read,
// as each message is checked too.
func (a *account) maySubscribe(filter string) bool {
	if a.may(false, filter) {
		return true
	}
	return a.name == "" && len(filter) <= maxTopic && strings.Count(filter, "/") < maxLevels &&
		slices.ContainsFunc(a.rules, func(r rule) bool { return r.allow && !r.write && mqtt.Overlap(r.filter, filter) })
}

// refusal says by which rule an account may not read or write a topic or filter.
func (a *account) refusal(write bool, topic string) string {
	verb, who := "read", "user "+a.name
	if write {
		verb = "write"
	}
	if a.name == "" {
		who = "a client without a user name"
	}
	if write && strings.HasPrefix(topic, "$") {
		return "topics that begin with $ are written by the broker only"
	}
	var allowed []string
	for _, r := range a.rules {
		switch {
		case r.write != write:
		case !r.allow && mqtt.Match(r.filter, topic):
			return "commands are not allowed: the configuration says so with mqtt: {commands: false}"
		case r.allow && a.may(write, r.filter): // not one that an earlier rule takes back
			allowed = append(allowed, r.filter)
		}
	}
	if allowed == nil {
		return who + " may " + verb + " nothing"
	}
	return who + " may " + verb + " only " + strings.Join(allowed, ", ")
}

// accounts are the users that may log in.
type accounts struct {
	byName map[string]*account // "" is a client without a name
	secret [sha256.Size]byte   // of the internal user
	// decoy is compared with if the name is unknown, so that the time taken does not reveal which names exist.
	decoy []byte
}

// newAccounts reads the password files and makes the rules.
func newAccounts(o Options, secret string, cost int) (*accounts, error) {
	decoy, err := bcrypt.GenerateFromPassword([]byte(secret), cost)
	if err != nil {
		return nil, err
	}
	// The secret of the internal user is random and long: a fast hash is enough, and logins of others never delay its own.
	all := &accounts{byName: map[string]*account{}, secret: sha256.Sum256([]byte(secret)), decoy: decoy}
	commands := o.Root + "/command"
	var first []rule
	if !o.AllowCommands {
		first = []rule{{write: true, filter: commands + "/#"}}
	}
	add := func(a *account, read, write []string) {
		a.rules = append(a.rules, first...)
		for _, filter := range read {
			a.rules = append(a.rules, rule{allow: true, filter: filter})
		}
		for _, filter := range write {
			a.rules = append(a.rules, rule{allow: true, write: true, filter: filter})
		}
		all.byName[a.name] = a
	}
	add(&account{name: internalUser, internal: true}, []string{"#"}, []string{o.Root + "/#"})
	if len(o.Users) == 0 {
		add(&account{}, []string{o.Root + "/#"}, []string{commands + "/+"})
	}
	for _, user := range o.Users {
		switch {
		case user.Name == "":
			return nil, errors.New("a user has no name")
		case all.byName[user.Name] != nil:
			return nil, fmt.Errorf("there is a user %q already", user.Name)
		}
		for _, filter := range append(user.Read[:len(user.Read):len(user.Read)], user.Write...) {
			if err := mqtt.CheckFilter(filter); err != nil {
				return nil, fmt.Errorf("user %q: %w", user.Name, err)
			}
		}
		password, err := secretfile.Read(user.PasswordFile)
		if err != nil {
			return nil, fmt.Errorf("user %q: password file: %w", user.Name, err)
		}
		hash, err := bcrypt.GenerateFromPassword(digest([]byte(password)), cost)
		if err != nil {
			return nil, fmt.Errorf("user %q: %w", user.Name, err)
		}
		add(&account{name: user.Name, hash: hash}, user.Read, user.Write)
	}
	return all, nil
}

// digest shortens a password to what bcrypt accepts, which is 72 bytes without a NUL.
func digest(password []byte) []byte {
	sum := sha256.Sum256(password)
	return []byte(hex.EncodeToString(sum[:]))
}

// login is the user name and password of a connect.
type login struct {
	named    bool // there is a name or a password at all
	name     string
	password []byte
}

// check returns the account of a login, or nil. It does the same work for a wrong password as for an unknown name.
func (all *accounts) check(l login) *account {
	if !l.named {
		return all.byName[""]
	}
	a := all.byName[l.name]
	if a != nil && a.internal {
		sum := sha256.Sum256(l.password)
		if subtle.ConstantTimeCompare(sum[:], all.secret[:]) == 1 {
			return a
		}
		return nil
	}
	hash := all.decoy
	if a != nil && a.hash != nil {
		hash = a.hash
	}
	right := bcrypt.CompareHashAndPassword(hash, digest(l.password)) == nil
	if a == nil || a.hash == nil || !right {
		return nil
	}
	return a
}
