package auth

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
)

// Role is what a user may do.
type Role string

// The roles.
const (
	Viewer   Role = "viewer"   // looks
	Operator Role = "operator" // looks, and acknowledges, shelves, moves cohorts and writes notes
)

// User may use the site: with a password or with a token, whichever is given.
type User struct {
	Name  string
	Role  Role
	Hash  Hash
	Token Token // zero: none
}

// UserFiles names the file with the secret of a user; exactly one of the paths is set.
type UserFiles struct {
	Name, Role          string
	HashFile, TokenFile string
}

const maxSecretFile = 4 << 10

// ReadUsers reads the files of users. Users whose files cannot be used are left out, and the error names all of them: one bad
// file must not lock out the others.
func ReadUsers(files []UserFiles) ([]User, error) {
	var users []User
	var problems []error
	for _, f := range files {
		user, err := readUser(f)
		if err != nil {
			problems = append(problems, fmt.Errorf("user %s cannot log in: %w", f.Name, err))
			continue
		}
		users = append(users, user)
	}
	return users, errors.Join(problems...)
}

func readUser(f UserFiles) (User, error) {
	user := User{Name: f.Name, Role: Role(f.Role)}
	if user.Role != Viewer && user.Role != Operator {
		return User{}, fmt.Errorf("unknown role %q", f.Role)
	}
	path := f.HashFile
	if path == "" {
		path = f.TokenFile
	}
	line, err := readLine(path)
	if err != nil {
		return User{}, err
	}
	if f.HashFile != "" {
		user.Hash, err = ParseHash(line)
	} else {
		user.Token, err = ParseToken(line)
	}
	if err != nil {
		return User{}, fmt.Errorf("%s: %w", path, err)
	}
	return user, nil
}

// readLine reads a file of one line. Its errors never quote the content.
func readLine(path string) (string, error) {
	file, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer func() { _ = file.Close() }() // only read
	content, err := io.ReadAll(io.LimitReader(file, maxSecretFile+1))
	if err != nil {
		return "", err
	}
	line := strings.TrimRight(string(content), "\r\n")
	switch {
	case len(content) > maxSecretFile:
		return "", fmt.Errorf("%s is larger than a hash or a token", path)
	case line == "":
		return "", fmt.Errorf("%s is empty", path)
	case strings.ContainsAny(line, "\r\n"):
		return "", fmt.Errorf("%s has more than one line", path)
	}
	return line, nil
}
