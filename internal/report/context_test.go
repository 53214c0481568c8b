package report_test

import (
	stdcontext "context"
	"testing"
)

// context is that of a test, also within a property.
func context(t any) stdcontext.Context {
	if t, ok := t.(*testing.T); ok {
		return t.Context()
	}
	return stdcontext.Background()
}
