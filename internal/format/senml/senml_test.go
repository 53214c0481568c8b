package senml_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/format/senml"
)

var now = instant.Of(time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC))

// millis is the instant of a number of milliseconds since 1970, the way the RFC's examples give times.
func millis(ms int64) instant.Instant { return instant.Instant(ms) * 1e6 }

// num is a record with a number.
func num(name, unit string, at instant.Instant, v float64) senml.Record {
	return senml.Record{Name: name, Unit: unit, At: at, Value: &v}
}

func TestVectorsOfRFC8428Section5_1(t *testing.T) {
	const dev = "urn:dev:ow:10e2073a01080063"
	for _, c := range []struct {
		name, pack string
		want       []senml.Record
	}{
		{
			"5.1.1 single data point",
			`[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`,
			[]senml.Record{{Name: dev, Unit: "Cel", At: now, Relative: true, Value: new(23.1)}},
		},
		{
			"5.1.2 multiple data points",
			`[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
			   "n":"voltage","u":"V","v":120.1},
			  {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
			  {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]`,
			[]senml.Record{
				num("urn:dev:ow:10e2073a0108006:current", "A", millis(1276020071001), 1.2),
				num("urn:dev:ow:10e2073a0108006:current", "A", millis(1276020072001), 1.3),
				num("urn:dev:ow:10e2073a0108006:current", "A", millis(1276020073001), 1.4),
				num("urn:dev:ow:10e2073a0108006:current", "A", millis(1276020074001), 1.5),
				num("urn:dev:ow:10e2073a0108006:current", "A", millis(1276020075001), 1.6),
				num("urn:dev:ow:10e2073a0108006:voltage", "V", millis(1276020076001), 120.1),
				num("urn:dev:ow:10e2073a0108006:current", "A", millis(1276020076001), 1.7),
			},
		},
		{
			"5.1.3 multiple measurements",
			`[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
			  {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},{"t":60,"v":20.3}]`,
			[]senml.Record{
				num(dev, "%RH", millis(1320067464000), 20),
				num(dev, "lon", millis(1320067464000), 24.30621),
				num(dev, "lat", millis(1320067464000), 60.07965),
				num(dev, "%RH", millis(1320067524000), 20.3),
			},
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := senml.Decode([]byte(c.pack), now)
			require.NoError(t, err)
			assert.Equal(t, c.want, got)
		})
	}
}

func TestBaseFieldsHoldFromTheirRecordOnward(t *testing.T) {
	got, err := senml.Decode([]byte(`[
		{"n":"before","v":1},
		{"bn":"tub-1/","bv":20,"bs":5},
		{"n":"water-temperature","u":"Cel","v":1.5},
		{"n":"water-temperature","u":"Cel","s":7},
		{"n":"label","vs":"larva"},
		{"bn":"tub-2/","n":"water-temperature","v":-0.5,"ut":60},
		{"n":"base-value-alone","u":"Cel"}]`), now)
	require.NoError(t, err)
	want := []senml.Record{
		{Name: "before", Value: new(1.0)},
		{Name: "tub-1/water-temperature", Unit: "Cel", Value: new(21.5)},
		{Name: "tub-1/water-temperature", Unit: "Cel", Sum: new(12.0)},
		{Name: "tub-1/label", Text: new("larva")},
		{Name: "tub-2/water-temperature", Value: new(19.5), Update: time.Minute},
		{Name: "tub-2/base-value-alone", Unit: "Cel", Value: new(20.0)},
	}
	for i := range want {
		want[i].At, want[i].Relative = now, true
	}
	assert.Equal(t, want, got)
}

// TestTimes is the rule of RFC 8428 section 4.5.3: below 2²⁸ a time counts from now.
func TestTimes(t *testing.T) {
	for _, c := range []struct {
		name, record string
		want         instant.Instant
		relative     bool
	}{
		{"none is now", `{"n":"a","v":1}`, now, true},
		{"zero is now", `{"n":"a","v":1,"t":0}`, now, true},
		{"negative is past", `{"n":"a","v":1,"t":-1.5}`, now.Add(-1500 * time.Millisecond), true},
		{"a board at 1970 is relative by accident", `{"n":"a","v":1,"t":3600}`, now.Add(time.Hour), true},
		{"one below 2^28 is relative", `{"n":"a","v":1,"t":268435455}`, now.Add(268435455 * time.Second), true},
		{"2^28 is 1978-07-04T21:24:16Z", `{"n":"a","v":1,"t":268435456}`, instant.Of(time.Date(1978, 7, 4, 21, 24, 16, 0, time.UTC)), false},
		{"base and time are added first", `{"n":"a","v":1,"bt":268435450,"t":6}`, millis(268435456000), false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := senml.Decode([]byte("["+c.record+"]"), now)
			require.NoError(t, err)
			assert.Equal(t, c.want, got[0].At)
			assert.Equal(t, c.relative, got[0].Relative)
		})
	}
}

func TestLabels(t *testing.T) {
	got, err := senml.Decode([]byte(`[{"n":"a","v":1,"battery":{"deep":[1]},"V":2}]`), now)
	require.NoError(t, err, "unknown labels are ignored")
	assert.Equal(t, []senml.Record{{Name: "a", At: now, Relative: true, Value: new(1.0)}}, got)
	got, err = senml.Decode([]byte(`[{"bver":5,"x":1},{"bver":5,"bn":"a"}]`), now)
	require.NoError(t, err)
	assert.Empty(t, got, "base fields alone are no record")
	_, err = senml.Decode([]byte(`[{"n":"a","v":1,"must_":1}]`), now)
	require.EqualError(t, err, `senml: record 1: label "must_" must be understood, and is not`)
}

func TestWhatIsRefused(t *testing.T) {
	for _, c := range []struct{ name, pack, want string }{
		{"no list", `{"n":"a","v":1}`, "a list"},
		{"no record", `[1]`, "record 1: an object"},
		{"cut short", `[{"n":"a","v":1}`, "not closed"},
		{"a tail", `[] []`, "follows"},
		{"no name", `[{"v":1}]`, "no name"},
		{"name with a space", `[{"n":"tub 1","v":1}]`, "cannot stand there"},
		{"name begins with a dash", `[{"n":"-a","v":1}]`, "cannot stand there"},
		{"no value", `[{"n":"a"}]`, "neither a value nor a sum"},
		{"two values", `[{"n":"a","v":1,"vb":true}]`, "more than one"},
		{"value twice", `[{"n":"a","v":1,"v":2}]`, "appears twice"},
		{"value as text", `[{"n":"a","v":"1"}]`, "is not a number"},
		{"value null", `[{"n":"a","v":null}]`, "is not a number"},
		{"no infinity (numbers only)", `[{"n":"a","v":1e999}]`, "too large"},
		{"no NaN (numbers only)", `[{"n":"a","v":NaN}]`, "not JSON"},
		{"sum of two large ones", `[{"n":"a","bv":1.7e308,"v":1.7e308}]`, "too large"},
		{"newer version", `[{"bver":11,"n":"a","v":1}]`, "newer than 10"},
		{"version changes back", `[{"bver":5,"n":"a","v":1},{"bver":10,"n":"b","v":1}]`, "bver changes"},
		{"version changes", `[{"n":"a","v":1},{"bver":5,"n":"b","v":1}]`, "bver changes"},
		{"time far away", `[{"n":"a","v":1,"t":1e12}]`, "out of range"},
		{"truth as number", `[{"n":"a","vb":1}]`, "neither true nor false"},
		{"too many bytes", `[` + strings.Repeat(" ", senml.MaxBytes) + `]`, "larger than the limit"},
		{"too many records", `[{}` + strings.Repeat(",{}", senml.MaxRecords) + `]`, "more than 1024"},
	} {
		t.Run(c.name, func(t *testing.T) {
			records, err := senml.Decode([]byte(c.pack), now)
			require.ErrorContains(t, err, c.want)
			assert.Nil(t, records)
		})
	}
}

func TestEncode(t *testing.T) {
	pack, err := senml.Encode([]senml.Record{
		num("tub-1/water-temperature", "Cel", millis(1782907200500), 22.1),
		{Name: "loft/relative-humidity", Unit: "%RH", At: instant.None, Value: new(81.0)},
	})
	require.NoError(t, err)
	assert.Equal(t, `[{"n":"tub-1/water-temperature","u":"Cel","t":1782907200.5,"v":22.1},`+
		`{"n":"loft/relative-humidity","u":"%RH","v":81}]`, string(pack))

	for _, c := range []struct {
		name   string
		record senml.Record
		want   string
	}{
		{"a clock that was never set", num("a", "", millis(3600_000), 1), "read as relative"},
		{"not a number", num("a", "", now, math.NaN()), "cannot carry"},
		{"infinite", num("a", "", now, math.Inf(1)), "cannot carry"},
		{"no name", num("", "", now, 1), "no name"},
		{"no value", senml.Record{Name: "a", At: now}, "neither"},
		{"two values", senml.Record{Name: "a", At: now, Value: new(1.0), Text: new("x")}, "more than one"},
	} {
		t.Run(c.name, func(t *testing.T) {
			pack, err := senml.Encode([]senml.Record{c.record})
			require.ErrorContains(t, err, c.want)
			assert.Nil(t, pack)
		})
	}
}

// TestDecodeUndoesEncode: what is written is read back, to the microsecond.
func TestDecodeUndoesEncode(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var records []senml.Record
		at := rapid.Int64Range(1<<28*1e6, 4e15).Draw(t, "microseconds")
		for range rapid.IntRange(0, 5).Draw(t, "records") {
			r := senml.Record{
				Name: rapid.StringMatching(`[A-Za-z0-9][-A-Za-z0-9:./_]{0,20}`).Draw(t, "name"),
				Unit: rapid.SampledFrom([]string{"", "Cel", "%RH", "Pa", "kg/m3"}).Draw(t, "unit"),
				At:   instant.Instant(at * 1000),
			}
			switch rapid.IntRange(0, 4).Draw(t, "kind") {
			case 0:
				r.Text = new(rapid.String().Draw(t, "text"))
			case 1:
				r.Truth = new(rapid.Bool().Draw(t, "truth"))
			case 2:
				r.Sum = new(rapid.Float64().Draw(t, "sum"))
			default:
				r.Value = new(rapid.Float64().Draw(t, "value"))
			}
			records = append(records, r)
			at += rapid.Int64Range(0, 1e9).Draw(t, "step")
		}
		pack, err := senml.Encode(records)
		require.NoError(t, err)
		got, err := senml.Decode(pack, now)
		require.NoError(t, err)
		require.Len(t, got, len(records))
		for i := range records {
			require.Equal(t, records[i], got[i])
		}
	})
}

// FuzzDecode: on error there is nothing; what was read and is not older than SenML can say is written and read back
// the same (decode ∘ encode = identity on resolved records).
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		`[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]`,
		`[{"bn":"a:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2}]`,
		`[{"n":"a","vs":"x","t":1e9},{"n":"b","vb":true},{"n":"c","vd":"aGk"},{"n":"d","s":1,"ut":2.5}]`,
		`[{"n":"a","v":1,"x_":1}]`, `[{"bv":1e308,"n":"a","v":1e308}]`, `[]`, `[{}]`, `[{"n":"a","v":1e400}]`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, pack []byte) {
		records, err := senml.Decode(pack, now)
		if err != nil {
			require.Nil(t, records)
			return
		}
		for i := range records {
			if records[i].At < 1<<28*1e9 {
				return // relative to now and so far back that it cannot be written
			}
			records[i].Relative = false
		}
		written, err := senml.Encode(records)
		require.NoError(t, err)
		again, err := senml.Decode(written, now)
		if len(written) > senml.MaxBytes {
			require.Error(t, err)
			return
		}
		require.NoError(t, err)
		require.Equal(t, records, again)
	})
}

func BenchmarkDecode(b *testing.B) {
	pack := []byte(`[{"bn":"tub-1/","bt":1782907200,"n":"water-temperature","u":"Cel","v":22.1},{"n":"air-temperature","u":"Cel","v":23.4}]`)
	for b.Loop() {
		if _, err := senml.Decode(pack, now); err != nil {
			b.Fatal(err)
		}
	}
}
