package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/store"
)

// judge looks at what the card holds after both lives: no note that was confirmed is lost, each heating is one alarm with one end, the
// power cut is none, all of it stands in 2026, and no reading is one that no part had.
func judge(ctx context.Context, history string, first []string) error {
	db, err := store.Open(history, store.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer db.Close(ctx)
	entries, err := db.Journal(ctx, store.Filter{Limit: 5000})
	if err != nil {
		return err
	}
	var problems []error
	notes, raised, cleared := map[string]int{}, map[string]int{}, map[string]int{}
	kinds := map[journal.Kind]int{}
	for _, e := range entries {
		kinds[e.Kind]++
		if year := e.At.Time().Year(); year != 2026 {
			problems = append(problems, fmt.Errorf("entry %d, %s, stands in %d", e.Seq, e.Kind, year))
		}
		switch e.Kind {
		case journal.Note:
			notes[e.Text]++
		case journal.AlarmRaised:
			raised[e.Alarm]++
		case journal.AlarmCleared:
			cleared[e.Alarm]++
		}
	}
	confirmed := 0
	for _, line := range first {
		if note, ok := strings.CutPrefix(line, "noted: "); ok {
			confirmed++
			if notes[note] != 1 {
				problems = append(problems, fmt.Errorf("the confirmed %q is there %d times", note, notes[note]))
			}
		}
	}
	if confirmed == 0 {
		problems = append(problems, errors.New("no note was confirmed before the power was cut"))
	}
	for place, want := range map[string]int{"tub-1": 2, "tub-2": 1, "tub-3": 0, "tub-4": 2} {
		alarm := place + "/air-temperature/high"
		if raised[alarm] != want || cleared[alarm] != want {
			problems = append(problems, fmt.Errorf("%s was raised %d and cleared %d times, heated %d times", alarm, raised[alarm], cleared[alarm], want))
		}
	}
	if faults := raised["sensor/tub-3-part/fault"]; faults != 1 {
		problems = append(problems, fmt.Errorf("the part that was pulled off once had %d faults", faults))
	}
	if kinds[journal.RunStarted] != 2 || kinds[journal.RunStopped] != 1 {
		problems = append(problems, fmt.Errorf("%d runs started and %d stopped", kinds[journal.RunStarted], kinds[journal.RunStopped]))
	}
	fmt.Printf("journal: %d entries, %d confirmed notes, %v\n", len(entries), confirmed, kinds)
	for place, possible := range map[string][]float64{
		"tub-1": {23, 29}, "tub-2": {23, 29}, "tub-4": {24, 29, 23},
		"tub-3": {22, 0}, // the emulator lets a part begin at 0 °C, until the host has set it
	} {
		readings := 0
		for s, err := range db.AllReadings(ctx, quantity.Point{Place: place, Quantity: quantity.AirTemperature}, instant.None, 0) {
			if err != nil {
				return err
			}
			readings++
			if s.Flag.Usable() && !slices.Contains(possible, s.Value) {
				problems = append(problems, fmt.Errorf("%s has a reading of %v at %s", place, s.Value, s.At))
			}
			if s.At.Time().Year() != 2026 {
				problems = append(problems, fmt.Errorf("%s has a reading at %s", place, s.At))
			}
		}
		fmt.Printf("readings of %s: %d\n", place, readings)
		if readings < 20 {
			problems = append(problems, fmt.Errorf("%s has %d readings", place, readings))
		}
	}
	return errors.Join(problems...)
}
