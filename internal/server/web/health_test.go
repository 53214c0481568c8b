package web

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"dewline/internal/server/status"
)

func TestHealthNamesWhatIsIll(t *testing.T) {
	since := time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)
	assert.Empty(t, ills(&status.Snapshot{Notifiers: []status.NotifierHealth{{Name: "mqtt", Connected: true}}, History: &status.History{}, Export: &status.Export{Behind: time.Hour}}))
	assert.Equal(t, []string{
		"notifier mqtt: 12 waiting since 2026-07-14T13:00:00Z: connection refused",
		"notifier mail: 0 waiting: not connected",
		"history: 7 readings in memory only: the disk is full",
		"export: 26h0m0s behind: connection refused",
	}, ills(&status.Snapshot{
		Notifiers: []status.NotifierHealth{{Name: "mqtt", Pending: 12, Oldest: since, LastError: "connection refused"}, {Name: "mail"}},
		History:   &status.History{Pending: 7, LastError: "the disk is full"},
		Export:    &status.Export{Behind: 26 * time.Hour, LastError: "connection refused"},
	}))
}
