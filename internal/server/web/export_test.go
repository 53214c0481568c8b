package web

import (
	"encoding/json"
	"time"
)

// NextOf is nextOf, for the fuzz target.
var NextOf = nextOf

// ListenPacked lets a reader of the stream listen to a site whose clock is the caller's, and returns the bytes that come over
// the line in the time, and what the reader makes of them.
func ListenPacked(o Options, changes string, length, step time.Duration, advance func(passed time.Duration)) (bytes int, events []string, err error) {
	s, err := newSite(o)
	if err != nil {
		return 0, nil, err
	}
	count := counter{}
	out := packed(&count)
	l := listener{site: s, mayAct: true, changes: changes, send: func(pieces ...[]byte) bool {
		event := ""
		for _, piece := range pieces {
			_, _ = out.Write(piece)
			event += string(piece)
		}
		events = append(events, event)
		return out.Flush() == nil
	}}
	begin := time.Now()
	for passed := time.Duration(0); passed < length; passed += step {
		advance(passed)
		l.look(begin.Add(passed))
	}
	return count.bytes, events, nil
}

type counter struct{ bytes int }

func (c *counter) Write(p []byte) (int, error) {
	c.bytes += len(p)
	return len(p), nil
}

// PatchOf returns the JSON patch that leads from one document to the next, and the document that it leads to.
func PatchOf(old, next []byte, hold func(key string) bool) (ops, reached []byte, err error) {
	a, err := decodeTree(old)
	if err != nil {
		return nil, nil, err
	}
	b, err := decodeTree(next)
	if err != nil {
		return nil, nil, err
	}
	d := differ{hold: hold}
	ops, tree := d.patch(a, b)
	reached, err = json.Marshal(tree)
	return ops, reached, err
}
