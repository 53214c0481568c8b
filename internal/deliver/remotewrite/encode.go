package remotewrite

import (
	"math"

	"google.golang.org/protobuf/encoding/protowire"
)

// Label is a name and its value.
type Label struct{ Name, Value string }

// Sample is a value at a time, in milliseconds since 1970-01-01T00:00:00Z.
type Sample struct {
	At    int64
	Value float64
}

// Series is some samples of one series, in the order of their times.
type Series struct {
	Labels  []Label // sorted by name
	Counter bool    // it only grows; otherwise it is a gauge
	Samples []Sample
}

// appendMessage appends a field that is a message, which write appends to an empty slice.
func appendMessage(to []byte, field protowire.Number, scratch *[]byte, write func([]byte) []byte) []byte {
	*scratch = write((*scratch)[:0])
	to = protowire.AppendTag(to, field, protowire.BytesType)
	return protowire.AppendBytes(to, *scratch)
}

// appendSample appends the body of a Sample, which is the same in both versions: double value = 1; int64 timestamp = 2.
func appendSample(to []byte, s Sample) []byte {
	to = protowire.AppendTag(to, 1, protowire.Fixed64Type)
	to = protowire.AppendFixed64(to, math.Float64bits(s.Value))
	to = protowire.AppendTag(to, 2, protowire.VarintType)
	return protowire.AppendVarint(to, uint64(s.At))
}

// encoder makes requests. It keeps its buffers from one request to the next.
type encoder struct {
	body, series, inner []byte
	symbols             map[string]uint64
	order               []string
}

// version1 encodes a prometheus.WriteRequest: repeated TimeSeries timeseries = 1; of that repeated Label labels = 1 (string name = 1,
// value = 2) and repeated Sample samples = 2. The result is valid until the next call.
func (e *encoder) version1(list []Series) []byte {
	e.body = e.body[:0]
	for i := range list {
		e.body = appendMessage(e.body, 1, &e.series, func(to []byte) []byte {
			for _, l := range list[i].Labels {
				to = appendMessage(to, 1, &e.inner, func(to []byte) []byte {
					to = protowire.AppendTag(to, 1, protowire.BytesType)
					to = protowire.AppendString(to, l.Name)
					to = protowire.AppendTag(to, 2, protowire.BytesType)
					return protowire.AppendString(to, l.Value)
				})
			}
			return e.appendSamples(to, &list[i])
		})
	}
	return e.body
}

// The types of a series in version 2.0.
const (
	counterType = 1
	gaugeType   = 2
)

// version2 encodes an io.prometheus.write.v2.Request: repeated string symbols = 4, the first of them ""; repeated TimeSeries
// timeseries = 5; of that repeated uint32 labels_refs = 1, repeated Sample samples = 2 and Metadata metadata = 5 (type = 1). The result is
// valid until the next call.
func (e *encoder) version2(list []Series) []byte {
	e.body, e.order, e.symbols = e.body[:0], append(e.order[:0], ""), map[string]uint64{"": 0}
	for i := range list {
		for _, l := range list[i].Labels {
			e.symbol(l.Name)
			e.symbol(l.Value)
		}
	}
	for _, s := range e.order {
		e.body = protowire.AppendTag(e.body, 4, protowire.BytesType)
		e.body = protowire.AppendString(e.body, s)
	}
	for i := range list {
		e.body = appendMessage(e.body, 5, &e.series, func(to []byte) []byte {
			to = appendMessage(to, 1, &e.inner, func(to []byte) []byte { // packed
				for _, l := range list[i].Labels {
					to = protowire.AppendVarint(to, e.symbol(l.Name))
					to = protowire.AppendVarint(to, e.symbol(l.Value))
				}
				return to
			})
			to = e.appendSamples(to, &list[i])
			return appendMessage(to, 5, &e.inner, func(to []byte) []byte {
				kind := uint64(gaugeType)
				if list[i].Counter {
					kind = counterType
				}
				to = protowire.AppendTag(to, 1, protowire.VarintType)
				return protowire.AppendVarint(to, kind)
			})
		})
	}
	return e.body
}

// appendSamples appends the samples of a series, which have the same field in both versions.
func (e *encoder) appendSamples(to []byte, s *Series) []byte {
	for _, sample := range s.Samples {
		to = appendMessage(to, 2, &e.inner, func(to []byte) []byte { return appendSample(to, sample) })
	}
	return to
}

// symbol returns the number of a string, which it gives one where it has none.
func (e *encoder) symbol(text string) uint64 {
	number, known := e.symbols[text]
	if !known {
		number = uint64(len(e.order))
		e.symbols[text], e.order = number, append(e.order, text)
	}
	return number
}
