package senml

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"

	"dewline/internal/core/instant"
)

// Encode writes resolved records as a pack, without base fields, so that each record can be read on its own. Times are
// written to the microsecond. A time that a reader would take as relative (before 1978-07-04T21:24:16Z) is an error: it
// comes from a clock that was never set, and belongs left out (At = [instant.None]).
func Encode(records []Record) ([]byte, error) {
	var out bytes.Buffer
	out.WriteByte('[')
	for i, r := range records {
		if i > 0 {
			out.WriteByte(',')
		}
		if err := r.write(&out); err != nil {
			return nil, fmt.Errorf("senml: record %d: %w", i+1, err)
		}
	}
	out.WriteByte(']')
	return out.Bytes(), nil
}

func (r Record) write(out *bytes.Buffer) error {
	if err := checkName(r.Name); err != nil {
		return err
	}
	out.WriteString(`{"n":` + quote(r.Name))
	if r.Unit != "" {
		out.WriteString(`,"u":` + quote(r.Unit))
	}
	if !r.At.IsNone() {
		if r.At < relativeBelow*1e9 {
			return fmt.Errorf("time %s would be read as relative to now; leave it out while the clock is not set", r.At)
		}
		out.WriteString(`,"t":` + timeText(r.At))
	}
	if countSet(r.Value != nil, r.Text != nil, r.Truth != nil, r.Data != nil) > 1 {
		return errors.New("more than one value")
	}
	switch {
	case r.Value != nil:
		if err := writeNumber(out, "v", *r.Value); err != nil {
			return err
		}
	case r.Text != nil:
		out.WriteString(`,"vs":` + quote(*r.Text))
	case r.Truth != nil:
		out.WriteString(`,"vb":` + strconv.FormatBool(*r.Truth))
	case r.Data != nil:
		out.WriteString(`,"vd":` + quote(*r.Data))
	case r.Sum == nil:
		return errors.New("neither a value nor a sum")
	}
	if r.Sum != nil {
		if err := writeNumber(out, "s", *r.Sum); err != nil {
			return err
		}
	}
	if r.Update > 0 {
		if err := writeNumber(out, "ut", r.Update.Seconds()); err != nil {
			return err
		}
	}
	out.WriteByte('}')
	return nil
}

func writeNumber(out *bytes.Buffer, label string, v float64) error {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Errorf("%s is %v, which SenML cannot carry", label, v)
	}
	out.WriteString(`,"` + label + `":` + strconv.FormatFloat(v, 'g', -1, 64))
	return nil
}

// timeText writes whole seconds and as many decimals as are needed, to the microsecond.
func timeText(at instant.Instant) string {
	microseconds := (int64(at) + 500) / 1000
	text := strconv.FormatInt(microseconds/1e6, 10)
	if rest := microseconds % 1e6; rest != 0 {
		text += "." + string(bytes.TrimRight(fmt.Appendf(nil, "%06d", rest), "0"))
	}
	return text
}

func quote(s string) string {
	text, _ := json.Marshal(s) // a string always marshals
	return string(text)
}
