package webhook

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"time"
)

// SignatureHeader is the header with the time of sending and the signature.
const SignatureHeader = "Dewline-Signature"

// Sign returns the value of the header for a body sent at a time. The package documentation describes how it is made and checked.
func Sign(secret []byte, at time.Time, body []byte) string {
	seconds := strconv.FormatInt(at.Unix(), 10)
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte(seconds + "\n")) // hash.Hash: never an error
	mac.Write(body)
	return "time=" + seconds + "; sha256=" + hex.EncodeToString(mac.Sum(nil))
}
