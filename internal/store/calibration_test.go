package store_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

// A comparison is kept beside a daemon whose readings still grow, and the daemon loses none of them.
func TestCalibrationBesideADaemon(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	daemon, err := store.Open(path, store.Options{})
	require.NoError(t, err)
	tub := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	at := instant.Of(time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC))
	for i := range 20 {
		daemon.Append("a", tub, at.Add(time.Duration(i)*10*time.Second), 22.5, quantity.Pass, 0.0625)
	}
	require.NoError(t, daemon.Commit(t.Context()))

	want := store.Calibration{
		At: at, Sensor: "tub-1-probe", Channel: "temperature", Reference: 0, Uncertainty: 0.05, Against: "ice bath", Readings: []float64{0.3125, 0.25},
	}
	id, err := store.AddCalibrationTo(t.Context(), path, want)
	require.NoError(t, err)
	want.ID = id

	for i := range 20 {
		daemon.Append("a", tub, at.Add(time.Duration(20+i)*10*time.Second), 22.5, quantity.Pass, 0.0625)
	}
	require.NoError(t, daemon.Commit(t.Context()))
	got, err := daemon.Calibrations(t.Context(), "tub-1-probe")
	require.NoError(t, err)
	require.Equal(t, []store.Calibration{want}, got)

	// As after a power cut: it was not closed.
	card := t.TempDir()
	for _, name := range []string{"history.db", "history.db-wal"} {
		content, err := os.ReadFile(filepath.Join(filepath.Dir(path), name))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(card, name), content, 0o600))
	}
	after, err := store.Open(filepath.Join(card, "history.db"), store.Options{})
	require.NoError(t, err)
	n := 0
	for _, err := range after.Readings(t.Context(), tub, instant.None, instant.None) {
		require.NoError(t, err)
		n++
	}
	require.Equal(t, 40, n)
	require.NoError(t, after.Close(t.Context()))
	require.NoError(t, daemon.Close(t.Context()))
}

func TestCalibrationMakesAFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "new", "history.db")
	_, err := store.AddCalibrationTo(t.Context(), path, store.Calibration{Sensor: "a", Channel: "humidity"})
	require.NoError(t, err)
	store, err := store.Open(path, store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer store.Close(t.Context())
	all, err := store.Calibrations(t.Context(), "")
	require.NoError(t, err)
	require.Len(t, all, 1)
}

func TestCalibrationRefusesAForeignFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "letter.db")
	require.NoError(t, os.WriteFile(path, []byte("Dear keeper,"), 0o600))
	_, err := store.AddCalibrationTo(t.Context(), path, store.Calibration{Sensor: "a"})
	require.ErrorIs(t, err, store.ErrForeign)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "Dear keeper,", string(text))
}
