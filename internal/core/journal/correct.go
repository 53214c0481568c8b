package journal

import (
	"fmt"
	"slices"
)

// Corrections are how the entries of one record correct each other: an entry takes the place of an older one, which is never edited.
type Corrections[E any] struct {
	ID       func(*E) string               // the identity of an entry
	Corrects func(*E) string               // that of the entry whose place it takes; "" for none
	May      func(later, older *E) bool    // whether it can
	Words    func(*E) (kind, about string) // what a keeper calls it and what it is about, such as "a move" and "b-2026"
}

// InForce returns those of the entries of a record whose place no other one has taken.
func (c Corrections[E]) InForce(entries []E) []E {
	index := map[string]*E{}
	for i := range entries {
		index[c.ID(&entries[i])] = &entries[i]
	}
	taken := map[string]bool{}
	for i := range entries {
		if of := c.Corrects(&entries[i]); of != "" {
			if older := index[of]; older != nil && c.May(&entries[i], older) {
				taken[of] = true
			}
		}
	}
	return slices.DeleteFunc(slices.Clone(entries), func(e E) bool { return taken[c.ID(&e)] })
}

// Refusal returns why an entry cannot take the place of the one that it corrects, in words for the keeper: there is none, another one has
// taken its place, or it says something else. "" where it can, and where it corrects none.
func (c Corrections[E]) Refusal(entries []E, e *E) string {
	of := c.Corrects(e)
	if of == "" {
		return ""
	}
	i := slices.IndexFunc(entries, func(o E) bool { return c.ID(&o) == of })
	if i < 0 {
		return fmt.Sprintf("there is no entry %q that could be corrected", of)
	}
	older := &entries[i]
	for i := range entries {
		if later := &entries[i]; c.Corrects(later) == of && c.May(later, older) {
			return fmt.Sprintf("%s has been corrected already, by %s: correct that one", of, c.ID(later))
		}
	}
	if !c.May(e, older) {
		was, about := c.Words(older)
		is, _ := c.Words(e)
		return fmt.Sprintf("%s is %s of %s, and %s cannot take its place: a note that corrects it withdraws it", of, was, about, is)
	}
	return ""
}
