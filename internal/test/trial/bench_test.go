package trial

import "testing"

// BenchmarkMonth plays the first thirty days of a room-year.
func BenchmarkMonth(b *testing.B) {
	s, err := loadSetting()
	if err != nil {
		b.Fatal(err)
	}
	o := Options{RoomYears: 1, Seed: 1, Faults: AllFaults(), steps: 30 * 24 * 60}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := playYear(b.Context(), s, 0, o, nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/30, "µs/day")
}
