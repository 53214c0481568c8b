package main

import (
	"context"
	"os"
	"strconv"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/source/recorded"
	"dewline/internal/store"
	"dewline/internal/test/planted"
)

// enclosure is a command of the scripts: it lets a simulated enclosure (viv-1 in the room loft) live for some days from 2026-07-01 on under
// mistings at half past seven and half past six in the evening, of which that of the third evening does not come, and writes what its
// sensors have shown as a readings file and as a history with the mistings that came in its journal.
//
//	enclosure DAYS tape.csv history.db
func enclosure(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: enclosure DAYS tape.csv history.db")
	}
	days, err := strconv.Atoi(args[0])
	ts.Check(err)
	start := instant.Of(time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC))
	e := planted.Draw(4, start)
	mistings := e.Mistings([]planted.Day{{Hour: 7.5, Dose: 1}, {Hour: 18.5, Dose: 1}}, days)
	if len(mistings) > 5 {
		mistings = append(mistings[:5], mistings[6:]...)
	}
	past := e.Live(mistings, days)

	tape, err := os.Create(ts.MkAbs(args[1]))
	ts.Check(err)
	w := recorded.NewWriter(tape)
	db, err := store.Open(ts.MkAbs(args[2]), store.Options{})
	ts.Check(err)
	for _, p := range []struct {
		place    string
		quantity quantity.Quantity
		readings []planted.Sample
	}{
		{"loft", quantity.AirTemperature, past.RoomAir}, {"loft", quantity.RelativeHumidity, past.RoomHumidity},
		{"viv-1", quantity.AirTemperature, past.Air}, {"viv-1", quantity.RelativeHumidity, past.Humidity},
	} {
		point := quantity.Point{Place: p.place, Quantity: p.quantity}
		for _, r := range p.readings {
			if r.At.Sub(start)%time.Minute != 0 {
				continue // a reading a minute will do
			}
			ts.Check(w.Row(r.At, point, r.Value, quantity.Pass))
			db.Append("run-1", point, r.At, r.Value, quantity.Pass, 0.01)
		}
	}
	ts.Check(w.Flush())
	ts.Check(tape.Close())
	var entries []*journal.Entry
	for i, m := range mistings {
		entries = append(entries, &journal.Entry{Seq: uint64(i + 1), Run: "run-1", At: m.At, Kind: journal.Misting, Place: "viv-1"})
	}
	ts.Check(db.Record(context.Background(), entries, nil, store.State{}))
	ts.Check(db.Close(context.Background()))
}
