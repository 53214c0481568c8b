package auth

import (
	"cmp"
	"errors"
	"fmt"

	"dewline/internal/secretfile"
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
	path := cmp.Or(f.HashFile, f.TokenFile)
	line, err := secretfile.Read(path)
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
