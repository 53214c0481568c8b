package config

import (
	_ "embed"

	"dewline/internal/doctext"
)

// documented is the file whose package documentation describes every key: the one home of these descriptions.
//
//go:embed doc.go
var documented string

// Reference returns the description of every key of a configuration and of a care profile, and the table of the drivers, as plain text.
func Reference() string {
	return doctext.From(documented, "Grammar") + "\nThe drivers of devices; the part of the first address is meant where none is given:\n\n" + driverTable()
}
