package i2cbus

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestParseName(t *testing.T) {
	for text, want := range map[string]string{
		"I2C1": "I2C1", "i2c1": "I2C1", "1": "I2C1", "i2c-1": "I2C1", "/dev/i2c-1": "I2C1", " 20 ": "I2C20",
		"I2C1/0x70:3": "I2C1/0x70:3", "/dev/i2c-0/0x77:0": "I2C0/0x77:0", "1/112:3": "I2C1/0x70:3",
		"I2C1/0x70:3/0x71:0": "I2C1/0x70:3/0x71:0",
	} {
		name, err := ParseName(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, name.String(), text)
	}
	for text, want := range map[string]string{
		"": "no bus number", "I2C": "no bus number", "-1": "no bus number", "+1": "no bus number", "spi0": "no bus number",
		"I2C1/": "is no multiplexer channel", "I2C1/0x70": "is no multiplexer channel", "I2C1/0x70:x": "is no multiplexer channel",
		"I2C1/0x44:0": "0x70 to 0x77", "I2C1/0x70:8": "use 0 to 7", "I2C1/0x70:1/0x70:2": "in a row",
		"99999999999999999999": "no bus number",
	} {
		_, err := ParseName(text)
		require.ErrorContains(t, err, want, text)
		require.ErrorContains(t, err, "write it as I2C1", text)
	}
}

func FuzzParseName(f *testing.F) {
	for _, text := range []string{"I2C1", "/dev/i2c-1", "1", "I2C1/0x70:3", "I2C1/0x70:3/0x71:0", "", "/", "I2C-1", "i2c/::"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		name, err := ParseName(text)
		if err != nil {
			require.Zero(t, name)
			return
		}
		again, err := ParseName(name.String())
		require.NoError(t, err)
		require.Equal(t, name, again)
	})
}
