package senml

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/format/strictjson"
)

// base holds the base fields in force; they apply from their record onward (section 4.1).
type base struct {
	name, unit       string
	time, value, sum float64
	hasValue, hasSum bool
	version          int
}

// entry is one record of the pack, undecoded.
type entry struct {
	name, unit       string
	time, value, sum float64
	hasName, hasUnit bool
	hasTime          bool
	hasValue, hasSum bool
	text, data       *string
	truth            *bool
	update           float64
	regular          bool // there is a known field that is not a base field
}

// Decode reads a pack. Times that count from now are resolved against now, to the microsecond. On error there are no
// records.
func Decode(pack []byte, now instant.Instant) ([]Record, error) {
	if len(pack) > MaxBytes {
		return nil, fmt.Errorf("senml: a pack of %d bytes is larger than the limit of %d", len(pack), MaxBytes)
	}
	elements, err := list(pack)
	if err != nil {
		return nil, fmt.Errorf("senml: %w", err)
	}
	bases := base{version: version}
	packVersion := version
	records := make([]Record, 0, len(elements))
	for i, element := range elements {
		e, err := bases.read(element)
		if err != nil {
			return nil, fmt.Errorf("senml: record %d: %w", i+1, err)
		}
		// One pack has one version, and the default is one too (section 4.4).
		if i == 0 {
			packVersion = bases.version
		}
		if bases.version != packVersion {
			return nil, fmt.Errorf("senml: record %d: bver changes within the pack", i+1)
		}
		if !e.regular {
			continue // base fields only
		}
		record, err := bases.resolve(e, now)
		if err != nil {
			return nil, fmt.Errorf("senml: record %d: %w", i+1, err)
		}
		records = append(records, record)
	}
	slices.SortStableFunc(records, func(a, b Record) int { return cmp.Compare(a.At, b.At) })
	return records, nil
}

// list takes the array apart without building its elements.
func list(pack []byte) ([]json.RawMessage, error) {
	dec := json.NewDecoder(bytes.NewReader(pack))
	if opening, err := dec.Token(); err != nil || opening != json.Delim('[') {
		return nil, errors.New("a list [{…}] of records was expected")
	}
	var elements []json.RawMessage
	for dec.More() {
		if len(elements) == MaxRecords {
			return nil, fmt.Errorf("more than %d records", MaxRecords)
		}
		var element json.RawMessage
		if err := dec.Decode(&element); err != nil {
			return nil, fmt.Errorf("record %d: not JSON: %w", len(elements)+1, err)
		}
		elements = append(elements, element)
	}
	if _, err := dec.Token(); err != nil {
		return nil, errors.New("the list is not closed")
	}
	if dec.More() {
		return nil, errors.New("something follows after the list")
	}
	return elements, nil
}

// read takes one record apart and updates the base fields.
func (b *base) read(element json.RawMessage) (entry, error) {
	members, err := strictjson.Object(element)
	if err != nil {
		return entry{}, err
	}
	var e entry
	for _, m := range members {
		if err := b.field(&e, m); err != nil {
			return entry{}, err
		}
	}
	return e, nil
}

func (b *base) field(e *entry, m strictjson.Member) (err error) {
	switch m.Name {
	case "bn":
		b.name, err = text(m)
	case "bt":
		b.time, err = number(m)
	case "bu":
		b.unit, err = text(m)
	case "bv":
		b.value, err = number(m)
		b.hasValue = true
	case "bs":
		b.sum, err = number(m)
		b.hasSum = true
	case "bver":
		err = b.setVersion(m)
	default:
		return e.field(m)
	}
	return err
}

func (b *base) setVersion(m strictjson.Member) error {
	v, err := strconv.Atoi(string(m.Value))
	if err != nil || v < 1 {
		return fmt.Errorf("bver %s is not a positive whole number", m.Value)
	}
	if v > version {
		return fmt.Errorf("bver %d is newer than %d, the version of RFC 8428", v, version)
	}
	b.version = v
	return nil
}

func (e *entry) field(m strictjson.Member) (err error) {
	regular := true
	switch m.Name {
	case "n":
		e.hasName = true
		e.name, err = text(m)
	case "u":
		e.hasUnit = true
		e.unit, err = text(m)
	case "t":
		e.hasTime = true
		e.time, err = number(m)
	case "ut":
		e.update, err = number(m)
	case "v":
		e.hasValue = true
		e.value, err = number(m)
	case "s":
		e.hasSum = true
		e.sum, err = number(m)
	case "vs":
		e.text, err = textPointer(m)
	case "vd":
		e.data, err = textPointer(m)
	case "vb":
		if string(m.Value) != "true" && string(m.Value) != "false" {
			return fmt.Errorf("vb %s is neither true nor false", m.Value)
		}
		truth := m.Value[0] == 't'
		e.truth = &truth
	default:
		// Section 4.4: what a receiver does not know it ignores, unless the writer says that it must not.
		if strings.HasSuffix(m.Name, "_") {
			return fmt.Errorf("label %q must be understood, and is not", m.Name)
		}
		regular = false
	}
	e.regular = e.regular || regular
	return err
}

// resolve applies the base fields (section 4.6).
func (b *base) resolve(e entry, now instant.Instant) (Record, error) {
	r := Record{Name: b.name + e.name, Unit: b.unit, Text: e.text, Truth: e.truth, Data: e.data}
	if e.hasUnit {
		r.Unit = e.unit
	}
	if err := checkName(r.Name); err != nil {
		return Record{}, err
	}
	var err error
	if r.At, r.Relative, err = absolute(b.time+e.time, now); err != nil {
		return Record{}, err
	}
	if e.update < 0 || e.update > math.MaxInt64/1e9 {
		return Record{}, fmt.Errorf("ut %v is no length of time", e.update)
	}
	r.Update = time.Duration(math.Round(e.update*1e6)) * time.Microsecond
	others := countSet(e.text != nil, e.truth != nil, e.data != nil)
	if e.hasValue || b.hasValue && others == 0 && !e.hasSum {
		r.Value, err = finite("value", b.value+e.value)
		if err != nil {
			return Record{}, err
		}
		others++
	}
	if e.hasSum || b.hasSum && others == 0 {
		if r.Sum, err = finite("sum", b.sum+e.sum); err != nil {
			return Record{}, err
		}
	}
	switch {
	case others > 1:
		return Record{}, errors.New("more than one of v, vs, vb and vd")
	case others == 0 && r.Sum == nil:
		return Record{}, errors.New("neither a value nor a sum")
	}
	return r, nil
}

func countSet(conditions ...bool) (count int) {
	for _, c := range conditions {
		if c {
			count++
		}
	}
	return count
}

// finite guards the sum of two finite numbers.
func finite(what string, v float64) (*float64, error) {
	if math.IsInf(v, 0) {
		return nil, fmt.Errorf("the %s is too large", what)
	}
	return &v, nil
}

// absolute turns a SenML time into an instant, to the microsecond: a number of seconds near today has no more digits.
func absolute(seconds float64, now instant.Instant) (at instant.Instant, relative bool, err error) {
	// Before 1700 and after 2200 an instant cannot reach; relative times are bounded by the same span.
	if math.Abs(seconds) > 7.3e9 {
		return instant.None, false, fmt.Errorf("time %v s is out of range", seconds)
	}
	microseconds := instant.Instant(math.Round(seconds * 1e6))
	if seconds >= relativeBelow {
		return microseconds * 1000, false, nil
	}
	at = now + microseconds*1000
	if year := at.Time().Year(); year < 1700 || year > 2200 {
		return instant.None, false, fmt.Errorf("time %v s from now is out of range", seconds)
	}
	return at, true, nil
}

// checkName holds a resolved name against section 4.5.1: letters, digits and - : . / _, beginning with a letter or a
// digit.
func checkName(name string) error {
	if name == "" {
		return errors.New("no name: neither bn nor n")
	}
	for i, r := range name {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
		case i > 0 && strings.ContainsRune("-:./_", r):
		default:
			return fmt.Errorf("name %q: %q cannot stand there (letters, digits and, inside, - : . / _)", name, r)
		}
	}
	return nil
}

// number reads a JSON number. Too large ones are refused: there is no infinity in SenML.
func number(m strictjson.Member) (float64, error) {
	if c := m.Value[0]; c != '-' && (c < '0' || c > '9') {
		return 0, fmt.Errorf("%s %s is not a number", m.Name, shorten(m.Value))
	}
	v, err := strconv.ParseFloat(string(m.Value), 64)
	if err != nil {
		return 0, fmt.Errorf("%s %s is too large", m.Name, shorten(m.Value))
	}
	return v, nil
}

func text(m strictjson.Member) (string, error) {
	p, err := textPointer(m)
	if err != nil {
		return "", err
	}
	return *p, nil
}

func textPointer(m strictjson.Member) (*string, error) {
	var s *string
	if err := json.Unmarshal(m.Value, &s); err != nil || s == nil {
		return nil, fmt.Errorf("%s %s is not a string", m.Name, shorten(m.Value))
	}
	return s, nil
}

func shorten(value json.RawMessage) string {
	if len(value) > 40 {
		return string(value[:40]) + "…"
	}
	return string(value)
}
