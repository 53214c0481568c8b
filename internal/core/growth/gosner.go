package growth

import "dewline/internal/core/instant"

// Sight is a Gosner (1960) stage that was seen.
type Sight struct {
	At     instant.Instant
	Gosner int // 1 to 46
}

// landmark is how much of the time from egg to froglet has passed when a Gosner stage is reached.
type landmark struct {
	gosner int
	share  float64
}

// landmarks between which shares lie on straight lines. Xenopus feeds after 0.08 of the time, about Gosner 25 (from memory); 0.4 at
// Gosner 31 and 0.9 at 42 are common practice, no published source. Batches differ: see misjudged.
var landmarks = [...]landmark{{1, 0}, {25, 0.10}, {31, 0.40}, {42, 0.90}, {46, 1}}

// share returns how much of the time from egg to froglet has passed when a Gosner stage is reached.
func share(gosner int) float64 {
	for i := 1; i < len(landmarks); i++ {
		if a, b := landmarks[i-1], landmarks[i]; gosner <= b.gosner {
			return a.share + (b.share-a.share)*float64(gosner-a.gosner)/float64(b.gosner-a.gosner)
		}
	}
	return 1
}

// part returns how much of the span has passed while a Gosner stage is seen: the middle between its beginning and that of the next.
func (s *Span) part(gosner int) float64 {
	first, end := share(s.First), share(s.End)
	return ((share(gosner)+share(gosner+1))/2 - first) / (end - first)
}
