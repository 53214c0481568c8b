package auth

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/crypto/argon2"
	"golang.org/x/crypto/bcrypt"
)

// The cost of a new hash: argon2id with 19 MiB, two passes, one lane, which the OWASP Password Storage Cheat Sheet gives as a
// minimum. The board has 512 MB, and its work is another.
const (
	newMemory  = 19456 // KiB
	newPasses  = 2
	newLanes   = 1
	saltLength = 16 // bytes; RFC 9106 section 3.1
	sumLength  = 32
)

// What a hash from a file may cost. The lower bound is the smallest memory that the cheat sheet has a row for, the upper
// ones keep a foreign hash from taking the memory or the minutes of a small board.
const (
	minMemory    = 7168
	maxMemory    = 64 << 10 // KiB
	maxPasses    = 10
	maxLanes     = 4
	minSalt      = 8 // RFC 9106 section 3.1
	maxSalt      = 64
	minSum       = 16
	maxSum       = 64
	minBcrypt    = 10 // the cheat sheet's minimum
	maxBcrypt    = 14 // a second and more on a desk computer
	maxHashBytes = 512
)

// MinPassword is the least length of a new password, in characters.
const MinPassword = 12

// MaxPassword bounds a password, in bytes.
const MaxPassword = 1024

// Hash is a password's hash as a file holds it: argon2id in the PHC string format, or bcrypt.
type Hash struct {
	bcrypt         string // "" for argon2id
	memory, passes uint32
	lanes          uint8
	salt, sum      []byte
}

// NewHash hashes a new password with argon2id.
func NewHash(password string) (Hash, error) {
	if err := CheckPassword(password); err != nil {
		return Hash{}, err
	}
	h := Hash{memory: newMemory, passes: newPasses, lanes: newLanes, salt: make([]byte, saltLength)}
	_, _ = rand.Read(h.salt) // never fails (crypto/rand)
	h.sum = h.derive(password, sumLength)
	return h, nil
}

// CheckPassword returns an error that says why a password is not accepted as a new one, nil if it is.
func CheckPassword(password string) error {
	switch n := len([]rune(password)); {
	case n < MinPassword:
		return fmt.Errorf("a password has at least %d characters, and this has %d: several words are easy to remember and to type on a phone", MinPassword, n)
	case len(password) > MaxPassword:
		return fmt.Errorf("a password has at most %d bytes, and this has %d", MaxPassword, len(password))
	case strings.ContainsAny(password, "\r\n\x00"):
		return errors.New("a password is one line of text")
	}
	return nil
}

// ParseHash reads a hash as [Hash.String] writes it, or a bcrypt hash ($2a$, $2b$, $2y$). Its errors do not quote the text.
func ParseHash(text string) (Hash, error) {
	if len(text) > maxHashBytes {
		return Hash{}, errors.New("this is longer than a hash")
	}
	switch {
	case strings.HasPrefix(text, "$argon2id$"):
		return parseArgon(strings.Split(text, "$")[2:])
	case strings.HasPrefix(text, "$2a$"), strings.HasPrefix(text, "$2b$"), strings.HasPrefix(text, "$2y$"):
		return parseBcrypt(text)
	case strings.HasPrefix(text, "$argon2"):
		return Hash{}, errors.New("of the argon2 kinds only argon2id is taken: make the hash with dewline password")
	}
	return Hash{}, errors.New("this is no argon2id or bcrypt hash: make one with dewline password")
}

// parseArgon reads v=19, m=…,t=…,p=…, salt and sum.
func parseArgon(parts []string) (Hash, error) {
	if len(parts) != 4 || parts[0] != "v="+strconv.Itoa(argon2.Version) {
		return Hash{}, errors.New("this is no argon2id hash of version 19 ($argon2id$v=19$m=…,t=…,p=…$salt$hash)")
	}
	costs := strings.Split(parts[1], ",")
	if len(costs) != 3 {
		return Hash{}, errors.New("the hash has no cost: m=…,t=…,p=…")
	}
	var numbers [3]uint32
	for i, bound := range []struct {
		name, what  string
		least, most uint32
	}{{"m=", "memory in KiB", minMemory, maxMemory}, {"t=", "number of passes", 1, maxPasses}, {"p=", "number of lanes", 1, maxLanes}} {
		digits, ok := strings.CutPrefix(costs[i], bound.name)
		n, err := strconv.ParseUint(digits, 10, 32)
		if !ok || err != nil || strconv.FormatUint(n, 10) != digits {
			return Hash{}, fmt.Errorf("the hash has no %s (%s…)", bound.what, bound.name)
		}
		if n < uint64(bound.least) || n > uint64(bound.most) {
			return Hash{}, fmt.Errorf("the %s of the hash is %d, and %d to %d are taken: make a new one with dewline password", bound.what, n, bound.least, bound.most)
		}
		numbers[i] = uint32(n)
	}
	h := Hash{memory: numbers[0], passes: numbers[1], lanes: uint8(numbers[2])}
	var err error
	if h.salt, err = unbase64(parts[2], minSalt, maxSalt); err != nil {
		return Hash{}, fmt.Errorf("the salt of the hash %w", err)
	}
	if h.sum, err = unbase64(parts[3], minSum, maxSum); err != nil {
		return Hash{}, fmt.Errorf("the end of the hash %w", err)
	}
	return h, nil
}

// unbase64 reads base64 without padding, as the PHC format has it.
func unbase64(text string, least, most int) ([]byte, error) {
	data, err := base64.RawStdEncoding.Strict().DecodeString(text)
	if err != nil || strings.ContainsAny(text, "\r\n") {
		return nil, errors.New("is not base64 without padding: was a part of the line lost?")
	}
	if len(data) < least || len(data) > most {
		return nil, fmt.Errorf("has %d bytes, and %d to %d are taken: was a part of the line lost?", len(data), least, most)
	}
	return data, nil
}

const bcryptLength = 60

func parseBcrypt(text string) (Hash, error) {
	cost, err := bcrypt.Cost([]byte(text))
	if err != nil || len(text) != bcryptLength || strings.IndexFunc(text[7:], notBcrypt) >= 0 {
		return Hash{}, errors.New("this is no whole bcrypt hash: was a part of the line lost?")
	}
	if cost < minBcrypt || cost > maxBcrypt {
		return Hash{}, fmt.Errorf("the cost of the bcrypt hash is %d, and %d to %d are taken: make a new one with dewline password", cost, minBcrypt, maxBcrypt)
	}
	return Hash{bcrypt: text}, nil
}

func notBcrypt(r rune) bool {
	return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' || r == '/')
}

// String writes the hash as a file holds it.
func (h Hash) String() string {
	if h.bcrypt != "" {
		return h.bcrypt
	}
	encode := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.memory, h.passes, h.lanes, encode(h.salt), encode(h.sum))
}

// matches reports whether a password has this hash. It takes as long for a wrong one.
func (h Hash) matches(password string) bool {
	if h.bcrypt != "" {
		return bcrypt.CompareHashAndPassword([]byte(h.bcrypt), []byte(password)) == nil
	}
	return subtle.ConstantTimeCompare(h.derive(password, uint32(len(h.sum))), h.sum) == 1
}

func (h Hash) derive(password string, length uint32) []byte {
	return argon2.IDKey([]byte(password), h.salt, h.passes, h.memory, h.lanes, length)
}

// given reports whether this is a hash at all.
func (h Hash) given() bool { return h.bcrypt != "" || len(h.sum) > 0 }
