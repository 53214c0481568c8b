package main

import (
	"context"
	"fmt"
	"io"
	"os/exec"
	"regexp"
	"strings"
	"time"
)

// answer is what a person types once a question has been asked.
type answer struct{ question, reply string }

var (
	lineEnd     = regexp.MustCompile(`\r+\n`)
	writtenOver = regexp.MustCompile(`[^\n]*\r`)
)

// asLeft is what a terminal showed, without what a line showed before it was written over.
func asLeft(shown string) string {
	return writtenOver.ReplaceAllString(lineEnd.ReplaceAllString(shown, "\n"), "")
}

// typed runs a command in the Debian below root as a person at its terminal does, gives each answer after its question, and returns what was
// on the screen. The error is that of the command, or of a question that did not come. The terminal is that of script(1).
func typed(ctx context.Context, root, line string, answers ...answer) (screen string, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	fmt.Printf("$ %s\n", line)
	inside := "chroot " + quoted(root) + " /usr/bin/env -i HOME=/root TERM=dumb LC_ALL=C.UTF-8 PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin" +
		" /bin/bash -c " + quoted("cd /home/keeper && "+line)
	c := exec.CommandContext(ctx, "script", "--quiet", "--flush", "--return", "--command", inside, "/dev/null")
	c.WaitDelay = 5 * time.Second
	keys, err := c.StdinPipe()
	if err != nil {
		return "", err
	}
	output, err := c.StdoutPipe()
	if err != nil {
		return "", err
	}
	if err := c.Start(); err != nil {
		return "", fmt.Errorf("script, of the package bsdutils: %w", err)
	}
	var shown strings.Builder
	unread := "" // since the last answer
	for buffer := make([]byte, 4096); ; {
		n, end := output.Read(buffer)
		shown.Write(buffer[:n])
		unread += string(buffer[:n])
		if len(answers) > 0 && strings.Contains(unread, answers[0].question) && strings.HasSuffix(strings.TrimRight(unread, " "), ":") {
			if _, err := io.WriteString(keys, answers[0].reply+"\n"); err != nil {
				return shown.String(), err
			}
			answers, unread = answers[1:], ""
		}
		if end != nil {
			break
		}
	}
	err = c.Wait()
	screen = asLeft(shown.String())
	fmt.Print(screen)
	if err == nil && len(answers) > 0 {
		err = fmt.Errorf("%s never asked %q", line, answers[0].question)
	}
	return screen, err
}

// quoted is a text as one word of the shell.
func quoted(text string) string { return "'" + strings.ReplaceAll(text, "'", `'\''`) + "'" }
