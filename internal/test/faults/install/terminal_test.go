package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestScreenHasEachLineAsItWasLeft(t *testing.T) {
	for shown, want := range map[string]string{
		"wrote a file\r\n":                        "wrote a file\n",
		"Creating user.\r\r\nnext\r\n":            "Creating user.\nnext\n",
		"Reading... 0%\rReading... 7%\rDone\r\nx": "Done\nx",
	} {
		assert.Equal(t, want, asLeft(shown))
	}
}

func TestQuotedIsOneWordOfTheShell(t *testing.T) {
	assert.Equal(t, `'cd /home && it'\''s'`, quoted("cd /home && it's"))
}
