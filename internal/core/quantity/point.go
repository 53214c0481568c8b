package quantity

import (
	"fmt"
	"strings"
)

// Point is a quantity at a place, written "tub-1/water-temperature".
type Point struct {
	Place    string
	Quantity Quantity
}

// ParsePoint reads "place/quantity".
func ParsePoint(text string) (Point, error) {
	place, name, found := strings.Cut(text, "/")
	if !found || place == "" {
		return Point{}, fmt.Errorf("point %q is not of the form place/quantity", text)
	}
	q, err := Parse(name)
	if err != nil {
		return Point{}, fmt.Errorf("point %q: %w", text, err)
	}
	if err := CheckID(place); err != nil {
		return Point{}, fmt.Errorf("point %q: %w", text, err)
	}
	return Point{Place: place, Quantity: q}, nil
}

// String writes the point as "place/quantity".
func (p Point) String() string { return p.Place + "/" + p.Quantity.String() }

// MarshalText writes the point as "place/quantity".
func (p Point) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads "place/quantity".
func (p *Point) UnmarshalText(text []byte) error {
	parsed, err := ParsePoint(string(text))
	if err != nil {
		return err
	}
	*p = parsed
	return nil
}

// CheckID reports whether id may name a site, place, sensor or cohort: letters a to z, digits and inner hyphens, since
// ids become levels of MQTT topics, label values of metrics and parts of addresses.
func CheckID(id string) error {
	if id == "" {
		return fmt.Errorf("an id must not be empty")
	}
	if len(id) > 64 {
		return fmt.Errorf("id %q is longer than 64 characters", id)
	}
	for i, r := range id {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
		case r == '-' && i > 0 && i < len(id)-1:
		default:
			return fmt.Errorf("id %q: use the letters a to z, digits and inner hyphens only", id)
		}
	}
	return nil
}
