// Package secretfile reads secrets, such as passwords, tokens and addresses that are as good as a password, from files of one line.
package secretfile

import (
	"fmt"
	"io"
	"os"
	"strings"
)

// maxBytes bounds the file: MQTT allows a password of 64 KiB, and a wrong path may name something larger.
const maxBytes = 64 << 10

// Read returns the one line of a file, without its end. Its errors name the file and never quote its content.
func Read(path string) (string, error) {
	file, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer func() { _ = file.Close() }() // only read
	content, err := io.ReadAll(io.LimitReader(file, maxBytes+1))
	if err != nil {
		return "", err
	}
	secret := strings.TrimRight(string(content), "\r\n")
	switch {
	case len(content) > maxBytes:
		return "", fmt.Errorf("%s is larger than a password, a token or an address", path)
	case secret == "":
		return "", fmt.Errorf("%s is empty", path)
	case strings.ContainsFunc(secret, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return "", fmt.Errorf("%s has more than one line, or control characters", path)
	}
	return secret, nil
}
