package store_test

import (
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/deliver/queue"
	"dewline/internal/store"
)

// A daemon appends readings as they come, commits them once a minute, and records what must not be lost at once. All values are
// invented.
func Example() {
	folder, err := os.MkdirTemp("", "history")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(folder)
	ctx := context.Background()
	db, err := store.Open(filepath.Join(folder, "history.db"), store.Options{})
	if err != nil {
		log.Fatal(err) // with a store beside the error, the daemon would go on in memory
	}
	defer db.Close(ctx)

	tub := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	noon := instant.Of(time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC))
	const run, resolution = "3f9a61c2", 0.0625
	for i := range 6 {
		db.Append(run, tub, noon.Add(time.Duration(i)*10*time.Second), 22+float64(i)*resolution, quantity.Pass, resolution)
	}
	if err := db.Commit(ctx); err != nil { // once a minute
		log.Fatal(err)
	}

	entry := &journal.Entry{Run: run, Seq: 1, At: noon, Kind: journal.AlarmRaised, Alarm: "tub-1/water-temperature/high", Priority: "high"}
	item := store.OutboxItem{Notifier: "webhook", Item: queue.Item{Event: entry.ID(), Class: queue.Alarm, Body: []byte("tub 1 is too warm")}}
	if err := db.Record(ctx, []*journal.Entry{entry}, []store.OutboxItem{item}, store.State{}); err != nil { // at once
		log.Fatal(err)
	}
	waiting, err := db.Queue("webhook").Next(0, 10)
	if err != nil {
		log.Fatal(err)
	}
	for _, i := range waiting { // a notifier delivers, and removes what has arrived
		fmt.Printf("%s: %s\n", i.Event, i.Body)
		db.Queue("webhook").Done(i.ID)
	}

	for sample, err := range db.Readings(ctx, tub, noon.Add(30*time.Second), instant.None) {
		if err != nil {
			log.Fatal(err)
		}
		fmt.Println(sample.At, sample.Value)
	}
	columns, err := db.Columns(ctx, tub, noon, noon.Add(time.Minute), 2)
	if err != nil {
		log.Fatal(err)
	}
	for _, c := range columns {
		fmt.Println(c.Min, c.Mean, c.Max)
	}
	// Output:
	// 3f9a61c2-1: tub 1 is too warm
	// 2026-07-14T12:00:30.000Z 22.1875
	// 2026-07-14T12:00:40.000Z 22.25
	// 2026-07-14T12:00:50.000Z 22.3125
	// 22 22.0625 22.125
	// 22.1875 22.25 22.3125
}
