package remotewrite

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/golang/snappy"
	"google.golang.org/protobuf/encoding/protowire"
)

// receiver is a metrics store in memory that is as strict as a Prometheus without a window for what is out of order: a request with a
// sample that is older than the newest of its series, or another value of the same time, is refused as a whole.
type receiver struct {
	t        testing.TB
	mu       sync.Mutex
	knows2   bool // it knows version 2.0, and says what it has written
	strict   bool // it refuses what it does not know, with 415
	series   map[string][]Sample
	order    []string // the bodies as they came: "v1" or "v2", their size
	requests []*http.Request
	answer   func(n int, r *http.Request) *http.Response // instead of taking the n-th request; nil takes it
}

func newReceiver(t testing.TB) *receiver { return &receiver{t: t, series: map[string][]Sample{}} }

func respond(status int, text string, headers ...string) *http.Response {
	r := &http.Response{StatusCode: status, Header: http.Header{}, Body: io.NopCloser(strings.NewReader(text))}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	return r
}

// RoundTrip is one request.
func (r *receiver) RoundTrip(request *http.Request) (*http.Response, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	packed, err := io.ReadAll(request.Body)
	if err != nil {
		return nil, err
	}
	r.requests = append(r.requests, request)
	if r.answer != nil {
		switch response := r.answer(len(r.requests), request); {
		case response == nil:
		case response.StatusCode == 0:
			return nil, errors.New("the cable is out")
		default:
			response.Request = request
			return response, nil
		}
	}
	response := r.take(request, packed)
	response.Request = request
	return response, nil
}

func (r *receiver) take(request *http.Request, packed []byte) *http.Response {
	body, err := snappy.Decode(nil, packed)
	if err != nil || request.Header.Get("Content-Encoding") != "snappy" {
		return respond(400, "not snappy")
	}
	version2 := strings.Contains(request.Header.Get("Content-Type"), "v2.Request")
	r.order = append(r.order, request.Header.Get("X-Prometheus-Remote-Write-Version"))
	if version2 && !r.knows2 {
		if r.strict {
			return respond(415, "unsupported")
		}
		return respond(204, "") // it finds no time series in it
	}
	list, err := decode(body, version2)
	if err != nil {
		return respond(400, err.Error())
	}
	n := 0
	for pass := range 2 { // the first one only looks
		for _, s := range list {
			name := nameOf(s.Labels)
			for _, sample := range s.Samples {
				have := r.series[name]
				if len(have) > 0 {
					last := have[len(have)-1]
					if sample.At == last.At && math.Float64bits(sample.Value) == math.Float64bits(last.Value) {
						continue
					}
					if sample.At <= last.At && pass == 0 {
						return respond(400, "out of order sample")
					}
				}
				if pass == 1 {
					r.series[name] = append(r.series[name], sample)
					n++
				}
			}
		}
	}
	if version2 {
		return respond(204, "", "X-Prometheus-Remote-Write-Samples-Written", strconv.Itoa(samplesOf(list)))
	}
	return respond(204, "")
}

// count returns how many requests have come.
func (r *receiver) count() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.requests)
}

// answers sets what is answered from now on.
func (r *receiver) answers(answer func(n int, r *http.Request) *http.Response) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.answer = answer
}

// of returns the samples of a series.
func (r *receiver) of(name string) []Sample {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.series[name])
}

// nameOf writes labels as a query does; they must be sorted.
func nameOf(labels []Label) string {
	var b bytes.Buffer
	for i, l := range labels {
		if i == 0 {
			fmt.Fprintf(&b, "%s{", l.Value)
			continue
		}
		if i > 1 {
			b.WriteString(",")
		}
		fmt.Fprintf(&b, "%s=%q", l.Name, l.Value)
	}
	return b.String() + "}"
}

// decode reads a request by the text of the specifications.
func decode(body []byte, version2 bool) ([]Series, error) {
	var symbols []string
	var list []Series
	err := fields(body, func(field protowire.Number, value []byte, _ uint64) error {
		switch {
		case version2 && field == 4:
			symbols = append(symbols, string(value))
		case version2 && field == 5, !version2 && field == 1:
			s, err := decodeSeries(value, version2, symbols)
			list = append(list, s)
			return err
		default:
			return fmt.Errorf("field %d", field)
		}
		return nil
	})
	return list, err
}

func decodeSeries(body []byte, version2 bool, symbols []string) (s Series, err error) {
	err = fields(body, func(field protowire.Number, value []byte, _ uint64) error {
		switch {
		case field == 1 && version2:
			var words []string
			for len(value) > 0 {
				ref, n := protowire.ConsumeVarint(value)
				if n < 0 || ref >= uint64(len(symbols)) {
					return errors.New("no such symbol")
				}
				words, value = append(words, symbols[ref]), value[n:]
			}
			for i := 0; i+1 < len(words); i += 2 {
				s.Labels = append(s.Labels, Label{words[i], words[i+1]})
			}
		case field == 1:
			var l Label
			s.Labels = append(s.Labels, l)
			return fields(value, func(field protowire.Number, value []byte, _ uint64) error {
				if field == 1 {
					s.Labels[len(s.Labels)-1].Name = string(value)
				} else {
					s.Labels[len(s.Labels)-1].Value = string(value)
				}
				return nil
			})
		case field == 2:
			var sample Sample
			err := fields(value, func(field protowire.Number, _ []byte, number uint64) error {
				if field == 1 {
					sample.Value = math.Float64frombits(number)
				} else {
					sample.At = int64(number)
				}
				return nil
			})
			s.Samples = append(s.Samples, sample)
			return err
		case field == 5 && version2:
			return fields(value, func(_ protowire.Number, _ []byte, number uint64) error {
				s.Counter = number == counterType
				return nil
			})
		}
		return nil
	})
	if !slices.IsSortedFunc(s.Labels, func(a, b Label) int { return strings.Compare(a.Name, b.Name) }) {
		err = errors.New("labels are not sorted")
	}
	return s, err
}

// fields calls take with each field of a message: with its bytes, or with its number.
func fields(body []byte, take func(field protowire.Number, value []byte, number uint64) error) error {
	for len(body) > 0 {
		field, kind, n := protowire.ConsumeTag(body)
		if n < 0 {
			return protowire.ParseError(n)
		}
		body = body[n:]
		var value []byte
		var number uint64
		switch kind {
		case protowire.BytesType:
			value, n = protowire.ConsumeBytes(body)
		case protowire.VarintType:
			number, n = protowire.ConsumeVarint(body)
		case protowire.Fixed64Type:
			number, n = protowire.ConsumeFixed64(body)
		default:
			return fmt.Errorf("type %d", kind)
		}
		if n < 0 {
			return protowire.ParseError(n)
		}
		body = body[n:]
		if err := take(field, value, number); err != nil {
			return err
		}
	}
	return nil
}
