package webhook

import (
	_ "embed"

	"dewline/internal/doctext"
)

//go:embed doc.go
var documented string

// Reference returns the description of the webhook's requests, as plain text for the author of a receiver.
func Reference() string { return doctext.From(documented, "The request") }
