// Package plainjson writes JSON as it is read, without the escapes meant for HTML: a note may well say "RH < 80 %". It is the one encoding
// of journal entries: what a receiver of an event got is, byte for byte, what is on record.
//
//	text, err := plainjson.Of(&entry)
package plainjson

import (
	"bytes"
	"encoding/json"
)

// Of returns the JSON of a value, as [json.Marshal] without the escapes, and its errors.
func Of(value any) ([]byte, error) {
	var out bytes.Buffer
	encoder := json.NewEncoder(&out)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(value); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(out.Bytes(), []byte("\n")), nil
}
