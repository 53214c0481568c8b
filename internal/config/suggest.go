package config

import (
	"fmt"
	"strings"
)

// UnknownWord returns the message that word is not one of the known ones, and which of them may have been meant. kind is such as "key".
func UnknownWord(kind, word string, known []string) string {
	text := fmt.Sprintf("unknown %s %s", kind, quoted(word))
	if near := nearest(word, known); near != "" {
		return fmt.Sprintf("%s: did you mean %q?", text, near)
	}
	switch {
	case len(known) == 0:
		return text + ": there is none"
	case len(known) <= 24:
		return text + ": known here are " + strings.Join(known, ", ")
	}
	return text
}

// quoted quotes text for a message, shortened so that a message stays one readable line.
func quoted(text string) string {
	const maxRunes = 60
	if runes := []rune(text); len(runes) > maxRunes {
		text = string(runes[:maxRunes]) + "…"
	}
	return fmt.Sprintf("%q", text)
}

// nearest returns the known word that word was probably meant to be, or "". Letters, hyphens against underscores and
// spaces are compared without regard to case.
func nearest(word string, known []string) string {
	const maxLength = 64 // no known word is longer, and the comparison takes time with the square of the length
	if len(word) > maxLength {
		return ""
	}
	best, bestDistance := "", 1<<30
	for _, candidate := range known {
		allowed := max(1, len(candidate)/3)
		if len(candidate) <= 2 {
			allowed = 0
		}
		if d := distance(folded(word), folded(candidate)); d <= allowed && d < bestDistance {
			best, bestDistance = candidate, d
		}
	}
	return best
}

func folded(word string) string {
	return strings.NewReplacer("_", "-", " ", "-").Replace(strings.ToLower(word))
}

// distance is the number of single-letter changes between two words, where exchanging two neighbours counts as one:
// the optimal string alignment distance (Damerau 1964; Levenshtein 1966).
func distance(from, to string) int {
	a, b := []rune(from), []rune(to)
	before, previous, current := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range previous {
		previous[j] = j
	}
	for i := 1; i <= len(a); i++ {
		current[0] = i
		for j := 1; j <= len(b); j++ {
			changed := 1
			if a[i-1] == b[j-1] {
				changed = 0
			}
			current[j] = min(previous[j]+1, current[j-1]+1, previous[j-1]+changed)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				current[j] = min(current[j], before[j-2]+1)
			}
		}
		before, previous, current = previous, current, before
	}
	return previous[len(b)]
}
