package board_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors"
	"dewline/sensors/board"
)

// The bits are those of the firmware's published command list; 0x50005, 0x50000 and 0xd0000 are the worked examples of
// several public decoders.
func TestThrottled(t *testing.T) {
	for text, want := range map[string]string{
		"0\n":               "in order",
		"throttled=0x0":     "in order",
		"50005\n":           "under-voltage now, slowed down now",
		"throttled=0x50000": "under-voltage before, slowed down before",
		"0xd0000":           "under-voltage before, slowed down before, soft temperature limit before",
		"2":                 "frequency capped now",
		"80008":             "soft temperature limit now",
		"e0002":             "frequency capped now, slowed down before, soft temperature limit before",
		"100":               "unknown bits 0x100",
		"80000001":          "under-voltage now, unknown bits 0x80000000",
	} {
		got, err := board.ParseThrottled(text)
		require.NoError(t, err)
		assert.Equal(t, want, got.String(), text)
	}
	for _, text := range []string{"", "throttled=", "0x", "xyz", "100000000", "-1"} {
		got, err := board.ParseThrottled(text)
		assert.Equal(t, sensors.Checksum, sensors.KindOf(err), "%q", text)
		assert.Zero(t, got)
	}
	word, err := board.ParseThrottled("50000")
	require.NoError(t, err)
	assert.True(t, word.Has(board.WasUnderVoltage))
	assert.True(t, word.Has(board.WasUnderVoltage|board.SoftLimit), "any of them")
	assert.False(t, word.Has(board.UnderVoltage|board.WasCapped|board.SoftLimitReached))
}

func FuzzParseThrottled(f *testing.F) {
	for _, text := range []string{"0", "50005\n", "throttled=0x50000", "none"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		word, err := board.ParseThrottled(text)
		if err != nil && word != 0 || word.String() == "" || (word.String() == "in order") != (word == 0) {
			t.Fatalf("%q gives %#x %q and %v", text, uint32(word), word, err)
		}
	})
}
