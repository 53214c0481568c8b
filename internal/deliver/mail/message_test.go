package mail

import (
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

func TestAtomsStayDifferent(t *testing.T) {
	assert.Equal(t, "run-17", atom("run-17"))
	assert.Equal(t, "a=20b=3D=0D=0A", atom("a b=\r\n"))
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.String().Draw(t, "a"), rapid.String().Draw(t, "b")
		if (a == b) != (atom(a) == atom(b)) {
			t.Fatalf("%q and %q", a, b)
		}
	})
}

func FuzzUnpack(f *testing.F) {
	f.Add([]byte(`{"subject":"[north-loft] HIGH: …","text":"Water temperature in Tub 1 is too high.\n","thread":"x","urgent":true}`))
	f.Add([]byte(`{"subject":"a\r\nBcc: b@example.org","text":"x"}`))
	f.Add([]byte(`{`))
	f.Fuzz(func(t *testing.T, body []byte) {
		l, err := unpack(body)
		if err != nil {
			if l != (Message{}) {
				t.Errorf("an error and a letter: %+v", l)
			}
			return
		}
		if strings.ContainsFunc(l.Subject, unicode.IsControl) || l.Text == "" {
			t.Errorf("%q: %+v", body, l)
		}
	})
}
