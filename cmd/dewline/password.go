package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"golang.org/x/term"

	"dewline/internal/server/auth"
)

// passwordCommand makes what a user of the pages is let in by. Only the hash, or the token, goes to standard output.
type passwordCommand struct {
	Token bool `help:"Print a fresh random token for a program instead."`
}

// Run reads a password and prints its hash, to be redirected into a file of its own.
func (c *passwordCommand) Run(s streams) error {
	if c.Token {
		fmt.Fprintln(s.out, auth.NewToken())
		return nil
	}
	password, err := readPassword(os.Stdin, s)
	if err != nil {
		return err
	}
	hash, err := auth.NewHash(password)
	if err != nil {
		return err
	}
	fmt.Fprintln(s.out, hash)
	return nil
}

// readPassword asks twice on a terminal, without echo; otherwise it reads one line.
func readPassword(in *os.File, s streams) (string, error) {
	if !isTerminal(in) {
		line, err := bufio.NewReader(io.LimitReader(in, auth.MaxPassword+2)).ReadString('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return "", fmt.Errorf("reading the password from standard input: %w", err)
		}
		return strings.TrimSuffix(strings.TrimSuffix(line, "\n"), "\r"), nil
	}
	password, err := ask(in, "password: ", s)
	if err != nil {
		return "", err
	}
	if err := auth.CheckPassword(password); err != nil {
		return "", err
	}
	again, err := ask(in, "once more: ", s)
	if err != nil {
		return "", err
	}
	if again != password {
		return "", errors.New("the two differ: nothing was made")
	}
	return password, nil
}

func ask(in *os.File, prompt string, s streams) (string, error) {
	fmt.Fprint(s.err, prompt)
	typed, err := term.ReadPassword(int(in.Fd()))
	fmt.Fprintln(s.err)
	if err != nil {
		return "", fmt.Errorf("reading the password from the terminal: %w", err)
	}
	return string(typed), nil
}
