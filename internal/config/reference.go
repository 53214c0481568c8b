package config

import (
	_ "embed"

	"dewline/internal/doctext"
)

// documented is the file whose package documentation describes every key: the one home of these descriptions.
//
//go:embed doc.go
var documented string

// Reference returns the description of every key of a configuration and of a care profile, as plain text.
func Reference() string { return doctext.From(documented, "Grammar") }
