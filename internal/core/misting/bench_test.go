package misting_test

import (
	"testing"

	"dewline/internal/core/instant"
	"dewline/internal/core/misting"
)

// Fourteen days, a forecast and the search: what dewline misting does.
func BenchmarkMisting(b *testing.B) {
	r := box{days: 14, n: 1, kappa: 0.9, misted: []int{7 * 60, 18 * 60}, door: aDay}.recording()
	r.Limits = func(instant.Instant) (low, high float64) { return 75, 95 }
	for b.Loop() {
		a := misting.Analyse(r)
		if _, err := a.WhatIf(misting.Schedule{{Minute: 600, Dose: 1}}); err != nil {
			b.Fatal(err)
		}
		if _, err := a.Suggest(); err != nil {
			b.Fatal(err)
		}
	}
}
