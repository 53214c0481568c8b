package webhook

import (
	_ "embed"

	"dewline/internal/doctext"
)

//go:embed doc.go
var documented string

// Reference returns the description of what a webhook is sent, as plain text for whoever writes a receiver.
func Reference() string { return doctext.From(documented, "The request") }
