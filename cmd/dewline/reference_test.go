package main

import (
	"flag"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"dewline/internal/config"
	"dewline/internal/deliver"
	"dewline/internal/deliver/webhook"
)

var rewrite = flag.Bool("rewrite", false, "write configs/reference.md; read the difference before you keep it")

// The reference beside the examples is what the program prints: it is written by -rewrite, and fails when the code has moved on.
func TestReferenceIsThatOfTheProgram(t *testing.T) {
	const path = "../../configs/reference.md"
	fence := func(title, text string) string { return "\n## " + title + "\n\n```text\n" + text + "```\n" }
	want := "# What a configuration may say\n\nWritten by `go test ./cmd/dewline -run Reference -rewrite` from the code that reads it; `dewline help config`, " +
		"`help mqtt` and `help webhook` print the same.\n" +
		fence("Configuration and care profiles", config.Reference()) + fence("Commands over MQTT", deliver.Reference()) +
		fence("What a webhook is sent", webhook.Reference())
	if *rewrite {
		require.NoError(t, os.WriteFile(path, []byte(want), 0o644))
	}
	got, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, want, string(got), "run the test with -rewrite")
}
