package store

import (
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/deliver/queue"
)

// cells are the columns that are read back, by table.
var cells = []struct{ table, column string }{
	{"point", "id"}, {"point", "name"}, {"segment", "id"}, {"segment", "run"},
	{"journal", "id"}, {"journal", "run"}, {"journal", "seq"}, {"journal", "at"}, {"journal", "kind"}, {"journal", "body"},
	{"outbox", "id"}, {"outbox", "outlet"}, {"outbox", "event"}, {"outbox", "class"}, {"outbox", "topic"}, {"outbox", "at"}, {"outbox", "body"},
	{"core", "at"}, {"core", "state"}, {"calibration", "at"}, {"calibration", "reference"}, {"calibration", "readings"},
	{"chunk", "id"}, {"chunk", "point"}, {"chunk", "segment"}, {"chunk", "start"}, {"chunk", "span"}, {"chunk", "count"}, {"chunk", "unusable"},
	{"chunk", "low"}, {"chunk", "high"}, {"chunk", "total"}, {"chunk", "flags"}, {"chunk", "thin"}, {"chunk", "period"}, {"chunk", "origin"},
	{"chunk", "scale"}, {"chunk", "fix"}, {"chunk", "samples"},
	{"growing", "id"}, {"growing", "point"}, {"growing", "segment"}, {"growing", "start"}, {"growing", "span"}, {"growing", "count"},
	{"growing", "unusable"}, {"growing", "low"}, {"growing", "high"}, {"growing", "total"}, {"growing", "flags"}, {"growing", "thin"},
	{"growing", "period"}, {"growing", "origin"}, {"growing", "scale"}, {"growing", "fix"}, {"growing", "samples"},
}

// A file in which a row was changed by hand is read as far as it makes sense, or refused with an error; and it goes on taking
// what happens, or says that it does not. Nothing panics and nothing runs for ever.
func FuzzRows(f *testing.F) {
	for i := range cells {
		f.Add(uint8(i), uint8(i%5), int64(-1)<<(i%63), 1e300, []byte(`{"seq":"x"}`))
		f.Add(uint8(i), uint8(0), int64(1)<<62, 0.0, []byte(nil))
	}
	whole := filepath.Join(f.TempDir(), "whole.db")
	s, err := Open(whole, Options{})
	require.NoError(f, err)
	last := fill(s, "run-1", water, noon, 10*second, 2*ChunkReadings+40)
	fill(s, "run-1", air, noon, 10*second, 30)
	require.NoError(f, s.Commit(f.Context()))
	raised := entry(1, noon, journal.AlarmRaised)
	raised.Alarm = "tub-1/water-temperature/high"
	require.NoError(f, s.Record(f.Context(), []*journal.Entry{raised, entry(2, noon, journal.Note)},
		[]OutboxItem{{"mqtt", queue.Item{Event: raised.ID(), Class: queue.Alarm, Topic: "events", At: noon, Body: []byte("{}")}}}, wholeState("state")))
	_, err = s.AddCalibration(f.Context(), Calibration{At: noon, Sensor: "probe", Channel: "temperature", Against: "ice bath", Readings: []float64{0.1, 0.2}})
	require.NoError(f, err)
	require.NoError(f, s.Close(f.Context()))
	data, err := os.ReadFile(whole)
	require.NoError(f, err)

	f.Fuzz(func(t *testing.T, cell, kind uint8, integer int64, real float64, bytes []byte) {
		path := filepath.Join(t.TempDir(), "history.db")
		require.NoError(t, os.WriteFile(path, data, 0o600))
		c := cells[int(cell)%len(cells)]
		value := []any{integer, real, string(bytes), bytes, nil}[kind%5]
		if !alter(t, path, c.table, c.column, value) {
			return // the file's own rules forbid it
		}
		s, err := Open(path, Options{})
		if err != nil {
			require.ErrorContains(t, err, path)
		}
		if s == nil {
			return
		}
		defer func() { _ = s.Close(t.Context()) }()
		look(t, s)
		next := last.Add(10 * second)
		s.Append("run-2", water, next, 21.5, quantity.Pass, 0.01)
		mqtt := s.Queue("mqtt")
		require.NoError(t, mqtt.Add(queue.Item{Event: "new", Class: queue.Alarm, Topic: "events", At: next, Body: []byte("new")}))
		e := entry(3, next, journal.Note)
		e.Run = "run-2"
		_ = s.Record(t.Context(), []*journal.Entry{e}, nil, wholeState("state 2"))
		_ = s.Commit(t.Context())
		if h := s.Health(); h.LastError != nil {
			require.ErrorContains(t, h.LastError, path)
		}
		items, err := mqtt.Next(0, 100)
		require.NoError(t, err)
		found := false
		for _, item := range items {
			found = found || item.Event == "new"
		}
		require.True(t, found, "what is put into the outbox is in it")
		look(t, s)
	})
}

// alter changes a cell of the first row behind the store's back. It returns false where SQLite refuses.
func alter(t *testing.T, path, table, column string, value any) bool {
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	defer db.Close()
	_, err = db.Exec(fmt.Sprintf("PRAGMA foreign_keys = off; UPDATE %s SET %s = ? WHERE rowid = (SELECT min(rowid) FROM %s)", table, column, table), value)
	return err == nil
}

// look reads all that can be read.
func look(t *testing.T, s *Store) {
	for _, p := range append(s.Points(), water, air) {
		count := 0
		for range s.AllReadings(t.Context(), p, instant.None, instant.None) {
			if count++; count > 100_000 {
				t.Fatal("more readings than the file has room for")
			}
		}
		_, _ = s.Columns(t.Context(), p, noon.Add(-hour), noon.Add(12*hour), 200)
	}
	for range s.ReadingsSince(t.Context(), Reach{At: noon}) {
	}
	_, _ = s.Journal(t.Context(), Filter{})
	_, _ = s.Calibrations(t.Context(), "")
	_, _, _, _ = s.LoadCore()
	_, _ = s.Queue("mqtt").Next(0, 100)
}
