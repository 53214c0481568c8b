// Package strictjson takes JSON objects apart more strictly than encoding/json does: member names are compared exactly
// (not without regard to case), a name that appears twice is an error, and so is anything after the value. It is for
// bytes that come from outside.
package strictjson

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"
)

// Member is one name and its value, unparsed.
type Member struct {
	Name  string
	Value json.RawMessage
}

// Object takes an object apart, its members in the order of the text. RFC 7493 (I-JSON) section 2.3 forbids names that
// appear twice, section 2.1 text that is not UTF-8.
func Object(data []byte) ([]Member, error) {
	if !utf8.Valid(data) {
		return nil, errors.New("the text is not UTF-8")
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	opening, err := dec.Token()
	if err != nil {
		return nil, notJSON(err)
	}
	if opening != json.Delim('{') {
		return nil, errors.New("an object {…} was expected")
	}
	var members []Member
	seen := map[string]bool{}
	for dec.More() {
		token, err := dec.Token()
		if err != nil {
			return nil, notJSON(err)
		}
		name := token.(string) // inside an object the decoder gives nothing else here
		if seen[name] {
			return nil, fmt.Errorf("%q appears twice", name)
		}
		seen[name] = true
		var value json.RawMessage
		if err := dec.Decode(&value); err != nil {
			return nil, notJSON(err)
		}
		members = append(members, Member{name, value})
	}
	if _, err := dec.Token(); err != nil {
		return nil, notJSON(err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("something follows after the closing brace")
	}
	return members, nil
}

// notJSON words the decoder's errors; the end of the input is one of them.
func notJSON(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return errors.New("not JSON: the text ends too early")
	}
	return fmt.Errorf("not JSON: %w", err)
}
