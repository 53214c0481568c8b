// Package jsonpointer finds one value in a JSON text by a JSON Pointer (RFC 6901), such as "/sensors/0/temperature".
package jsonpointer

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// Pointer is a parsed JSON Pointer: its reference tokens, unescaped. The empty pointer means the whole document.
type Pointer struct{ tokens []string }

// ErrMissing says that a document has no value at the place a pointer names.
var ErrMissing = errors.New("no such value")

// Parse reads the string form of RFC 6901 section 3 (not the URI fragment form of section 6).
func Parse(text string) (Pointer, error) {
	if text == "" {
		return Pointer{}, nil
	}
	if text[0] != '/' {
		return Pointer{}, fmt.Errorf("JSON pointer %q must begin with /", text)
	}
	tokens := strings.Split(text[1:], "/")
	for i, token := range tokens {
		for rest := token; ; {
			_, after, found := strings.Cut(rest, "~")
			if !found {
				break
			}
			if after == "" || after[0] != '0' && after[0] != '1' {
				return Pointer{}, fmt.Errorf("JSON pointer %q: write ~0 for ~ and ~1 for /", text)
			}
			rest = after
		}
		// ~1 before ~0, so that ~01 becomes ~1 and not / (RFC 6901 section 4).
		tokens[i] = strings.ReplaceAll(strings.ReplaceAll(token, "~1", "/"), "~0", "~")
	}
	return Pointer{tokens}, nil
}

// Child returns the pointer one step further down: to a member of an object, or to an element by its decimal index.
func (p Pointer) Child(token string) Pointer {
	return Pointer{append(p.tokens[:len(p.tokens):len(p.tokens)], token)}
}

// String writes the pointer as RFC 6901 section 3 does.
func (p Pointer) String() string {
	var text strings.Builder
	for _, token := range p.tokens {
		text.WriteByte('/')
		text.WriteString(strings.ReplaceAll(strings.ReplaceAll(token, "~", "~0"), "/", "~1"))
	}
	return text.String()
}

// MarshalText writes the pointer as String does.
func (p Pointer) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads a pointer as Parse does.
func (p *Pointer) UnmarshalText(text []byte) error {
	parsed, err := Parse(string(text))
	if err != nil {
		return err
	}
	*p = parsed
	return nil
}

// Decode reads one JSON text whose numbers stay text ([json.Number]), ready for [Pointer.Find]. Something after it is
// an error.
func Decode(data []byte) (any, error) {
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	var document any
	if err := dec.Decode(&document); err != nil {
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return nil, errors.New("not JSON: the text ends too early")
		}
		return nil, fmt.Errorf("not JSON: %w", err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("not JSON: something follows after the value")
	}
	return document, nil
}

// Find returns the value the pointer names in a document made by [Decode], or an error that wraps [ErrMissing].
func (p Pointer) Find(document any) (any, error) {
	value := document
	for depth, token := range p.tokens {
		next, why := step(value, token)
		if why != "" {
			return nil, fmt.Errorf("%w at %s: %s", ErrMissing, Pointer{p.tokens[:depth+1]}, why)
		}
		value = next
	}
	return value, nil
}

// step goes one token down; why names what prevents it.
func step(value any, token string) (next any, why string) {
	switch v := value.(type) {
	case map[string]any:
		next, found := v[token]
		if !found {
			return nil, "the object has no such member"
		}
		return next, ""
	case []any:
		index, err := elementIndex(token)
		if err != nil {
			return nil, err.Error()
		}
		if index >= len(v) {
			return nil, fmt.Sprintf("the list has %d elements", len(v))
		}
		return v[index], ""
	}
	return nil, "there is nothing below a single value"
}

// elementIndex reads an index of RFC 6901 section 4: decimal digits without a leading zero. "-" names the element after
// the last one, which never exists.
func elementIndex(token string) (int, error) {
	if token == "-" {
		return 0, errors.New("- names the element after the last one")
	}
	if token == "" || token[0] == '0' && len(token) > 1 || strings.Trim(token, "0123456789") != "" {
		return 0, fmt.Errorf("%q is not an index of a list", token)
	}
	index, err := strconv.ParseInt(token, 10, 32)
	if err != nil {
		return 0, fmt.Errorf("index %q is too large", token)
	}
	return int(index), nil
}
