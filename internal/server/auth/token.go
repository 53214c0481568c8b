package auth

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"math"
	"strings"
)

// minTokenBits is too much to guess: NIST SP 800-63B asks for 112 bits of a secret whose tries are not slowed down, and this is
// the usual round number above it.
const minTokenBits = 128

const maxToken = 256 // bytes

// Token is what is kept of a token: its SHA-256. A token is random, so that no slower hash is needed.
type Token [sha256.Size]byte

// NewToken returns a fresh token of 256 random bits.
func NewToken() string { return random256() }

func random256() string {
	var b [32]byte
	_, _ = rand.Read(b[:]) // never fails (crypto/rand)
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// ParseToken reads a token as RFC 6750 writes one (letters, digits, - . _ ~ + / and = at the end). It refuses one that cannot
// have 128 bits of chance in it. Its errors do not quote the text.
func ParseToken(text string) (Token, error) {
	body := strings.TrimRight(text, "=")
	if text == "" || len(text) > maxToken || strings.IndexFunc(body, notToken) >= 0 {
		return Token{}, errors.New("this is no token (letters, digits, - . _ ~ + /): make one with dewline password --token")
	}
	if bits := tokenBits(body); bits < minTokenBits {
		return Token{}, fmt.Errorf("the token can be guessed (at most %.0f bits, %d are needed): make one with dewline password --token", bits, minTokenBits)
	}
	return sha256.Sum256([]byte(text)), nil
}

func notToken(r rune) bool {
	return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("-._~+/", r))
}

// tokenBits returns the most chance that a text with these characters may hold: each is one of those that stand in it, or of
// the alphabet that it looks like, whichever is less.
func tokenBits(text string) float64 {
	seen := map[rune]bool{}
	alphabet := 10.0
	for _, r := range text {
		seen[r] = true
		switch {
		case r >= '0' && r <= '9':
		case r >= 'a' && r <= 'f' || r >= 'A' && r <= 'F':
			alphabet = max(alphabet, 16)
		default:
			alphabet = max(alphabet, 64)
		}
	}
	if len(seen) < 8 { // a pattern, not chance
		alphabet = min(alphabet, float64(len(seen)))
	}
	return float64(len(text)) * math.Log2(max(alphabet, 1))
}
