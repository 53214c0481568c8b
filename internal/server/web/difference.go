package web

import (
	"bytes"
	"encoding/json"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// differ writes the operations of a JSON patch (RFC 6902) that lead from one document to the next. Documents are trees as
// encoding/json makes them, with numbers as json.Number.
type differ struct {
	ops  []byte
	path []byte
	// hold reports whether the value of a key stays as it is for now.
	hold func(key string) bool
}

// decodeTree reads a document.
func decodeTree(data []byte) (tree any, err error) {
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.UseNumber()
	return tree, decoder.Decode(&tree)
}

// patch returns the operations from old to next, nil where there are none, and the document that a reader has who carries
// them out. Both trees are used up.
func (d *differ) patch(old, next any) (ops []byte, reached any) {
	d.ops, d.path = d.ops[:0], d.path[:0]
	reached = d.walk(old, next)
	if len(d.ops) == 0 {
		return nil, reached
	}
	d.ops = append(d.ops, ']')
	return d.ops, reached
}

func (d *differ) walk(old, next any) any {
	switch next := next.(type) {
	case map[string]any:
		if old, ok := old.(map[string]any); ok {
			return d.object(old, next)
		}
	case []any:
		if old, ok := old.([]any); ok && len(old) == len(next) {
			length := len(d.path)
			for i := range next {
				d.path = strconv.AppendInt(append(d.path, '/'), int64(i), 10)
				old[i] = d.walk(old[i], next[i])
				d.path = d.path[:length]
			}
			return old
		}
	default:
		switch old.(type) {
		case map[string]any, []any:
		default:
			if old == next {
				return old
			}
		}
	}
	d.write("replace", next)
	return next
}

func (d *differ) object(old, next map[string]any) any {
	length := len(d.path)
	for _, key := range slices.Sorted(maps.Keys(old)) {
		if _, ok := next[key]; !ok {
			d.enter(key)
			d.write("remove", nil)
			d.path = d.path[:length]
			delete(old, key)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(next)) {
		had, ok := old[key]
		if ok && d.hold != nil && d.hold(key) {
			continue
		}
		d.enter(key)
		if ok {
			old[key] = d.walk(had, next[key])
		} else {
			d.write("add", next[key])
			old[key] = next[key]
		}
		d.path = d.path[:length]
	}
	return old
}

var pointerEscapes = strings.NewReplacer("~", "~0", "/", "~1")

func (d *differ) enter(key string) {
	d.path = append(append(d.path, '/'), pointerEscapes.Replace(key)...)
}

func (d *differ) write(op string, value any) {
	separator := byte(',')
	if len(d.ops) == 0 {
		separator = '['
	}
	d.ops = append(append(append(d.ops, separator), `{"op":"`...), op...)
	path, _ := json.Marshal(string(d.path)) // a string always can be written
	d.ops = append(append(d.ops, `","path":`...), path...)
	if op != "remove" {
		text, _ := json.Marshal(value) // it was read from JSON
		d.ops = append(append(d.ops, `,"value":`...), text...)
	}
	d.ops = append(d.ops, '}')
}
