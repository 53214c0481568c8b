package care

import (
	"cmp"
	"time"

	"dewline/internal/core/quantity"
)

// Rule is how the alarm on one limit behaves.
type Rule struct {
	OnDelay  time.Duration
	OffDelay time.Duration
	Deadband float64 // in the unit of a difference of the quantity
	Priority Priority
}

// RuleOf returns how the alarm on a limit behaves. The band must have its defaults.
func (b *Band) RuleOf(l Limit, q quantity.Quantity) Rule {
	if b.rules != nil {
		return b.rules[l]
	}
	return Rule{b.OnDelayOf(l, q), b.OffDelay, b.Deadband, b.PriorityOf(l)}
}

// delicateDryDelay is the on-delay of a critical-low humidity for the stages that dry out first: they lose a tenth of their mass within
// the hour (computed after Young et al. 2006). Engineering judgement, no published source.
const delicateDryDelay = 10 * time.Minute

// Delicate reports whether the stage dries out first.
func (s Stage) Delicate() bool { return s == Metamorph || s == Juvenile }

// Settled returns the band with its defaults for a quantity and a stage (NoStage where it is a place's own), each limit with its rule.
func (b Band) Settled(q quantity.Quantity, s Stage) Band {
	given := b.OnDelay >= 0 || b.CriticalOnDelay >= 0
	b = b.WithDefaults(q)
	if given || q != quantity.RelativeHumidity || !s.Delicate() {
		return b
	}
	var rules [LimitCount]Rule
	for l := CriticalLow; l <= CriticalHigh; l++ {
		rules[l] = b.RuleOf(l, q)
	}
	rules[CriticalLow].OnDelay = delicateDryDelay
	b.rules = &rules
	return b
}

// Tightest returns the band in which each limit is the tightest of the two, with the delays, the deadband and the priority of the band
// that it comes from; where both have the same limit, those of a. Both must be settled. Outlook and the rest are those of a where it
// looks ahead, else of b. An outer limit that lies within an inner one takes its place. It reports false where the two leave no value
// between them: then a limit of b that would do so is left out.
func Tightest(q quantity.Quantity, a, b Band) (Band, bool) {
	merged, possible := a, true
	var rules [LimitCount]Rule
	for l := CriticalLow; l <= CriticalHigh; l++ {
		rules[l] = a.RuleOf(l, q)
		if !b.Has(l) || a.Has(l) && (l.Above() && b.Limits[l] >= a.Limits[l] || !l.Above() && b.Limits[l] <= a.Limits[l]) {
			continue
		}
		tried := merged
		tried.Limits[l] = b.Limits[l]
		if !tried.possible() {
			possible = false
			continue
		}
		merged, rules[l] = tried, b.RuleOf(l, q)
	}
	for _, pair := range [2][2]Limit{{Low, CriticalLow}, {High, CriticalHigh}} {
		inner, outer := pair[0], pair[1]
		if merged.Has(inner) && merged.Has(outer) && (inner.Above() && merged.Limits[inner] > merged.Limits[outer] ||
			!inner.Above() && merged.Limits[inner] < merged.Limits[outer]) {
			merged.Limits[inner] = merged.Limits[outer]
		}
	}
	merged.Foresee = cmp.Or(merged.Foresee, b.Foresee)
	merged.rules = &rules
	return merged, possible
}

// possible reports whether the limits leave a value between them.
func (b *Band) possible() bool {
	for _, below := range [2]Limit{CriticalLow, Low} {
		for _, above := range [2]Limit{High, CriticalHigh} {
			if b.Has(below) && b.Has(above) && b.Limits[below] >= b.Limits[above] {
				return false
			}
		}
	}
	return true
}
