package remotewrite

import (
	"io"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/prometheus/client_golang/exp/api/remote"
	writev2 "github.com/prometheus/client_golang/exp/api/remote/genproto/v2"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"
)

var anySeries = rapid.Custom(func(t *rapid.T) Series {
	s := Series{Counter: rapid.Bool().Draw(t, "counter"), Labels: []Label{{"__name__", rapid.String().Draw(t, "name")}}}
	for _, name := range []string{"place", "quantity", "site"}[:rapid.IntRange(0, 3).Draw(t, "labels")] {
		s.Labels = append(s.Labels, Label{name, rapid.StringN(1, 12, -1).Draw(t, name)})
	}
	for range rapid.IntRange(1, 5).Draw(t, "samples") {
		s.Samples = append(s.Samples, Sample{rapid.Int64().Draw(t, "at"), rapid.Float64().Draw(t, "value")})
	}
	return s
})

// Both versions carry the same series, whatever they hold, also in buffers that have been used before.
func TestBothVersionsCarryAll(t *testing.T) {
	var e encoder
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(anySeries, 0, 5).Draw(t, "series")
		got, err := decode(e.version2(list), true)
		require.NoError(t, err)
		require.Len(t, got, len(list))
		for i := range list {
			require.Equal(t, list[i], got[i])
		}
		got, err = decode(e.version1(list), false)
		require.NoError(t, err)
		for i := range list {
			require.Equal(t, list[i].Labels, got[i].Labels)
			require.Equal(t, list[i].Samples, got[i].Samples)
		}
	})
}

// peer is a receiver by the library of the Prometheus authors.
type peer struct{ got []*writev2.Request }

func (p *peer) Store(r *http.Request, _ remote.WriteMessageType) (*remote.WriteResponse, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	message := &writev2.Request{}
	if err := proto.Unmarshal(body, message); err != nil {
		return nil, err
	}
	p.got = append(p.got, message)
	response := remote.NewWriteResponse()
	for _, s := range message.Timeseries {
		response.Samples += len(s.Samples)
	}
	return response, nil
}

// The receiver of another implementation reads what is sent, to the last bit, and its answer is understood.
func TestAnIndependentReceiver(t *testing.T) {
	p := &peer{}
	server := httptest.NewServer(remote.NewWriteHandler(p, remote.MessageTypes{remote.WriteV2MessageType}))
	defer server.Close()
	c, err := newClient(Target{URL: server.URL}, nil)
	require.NoError(t, err)
	list := []Series{
		{Labels: []Label{{"__name__", "dewline_reading_celsius"}, {"place", "tub-1"}, {"site", "north-loft"}}, Samples: []Sample{{1_788_220_800_123, 22.0625}, {1_788_220_810_123, -0.1}}},
		{Labels: []Label{{"__name__", "dewline_zone_seconds_total"}, {"place", "tub-1"}, {"site", "north-loft"}}, Counter: true, Samples: []Sample{{1_788_220_860_000, 60}}},
	}
	taken, err := c.attempt(t.Context(), list)
	require.NoError(t, err)
	assert.Equal(t, 3, taken)
	assert.Equal(t, 2, c.version)
	require.Len(t, p.got, 1)
	got := p.got[0]
	for i, s := range got.Timeseries {
		var labels []Label
		for k := 0; k < len(s.LabelsRefs); k += 2 {
			labels = append(labels, Label{got.Symbols[s.LabelsRefs[k]], got.Symbols[s.LabelsRefs[k+1]]})
		}
		assert.Equal(t, list[i].Labels, labels)
		for k, sample := range s.Samples {
			assert.Equal(t, list[i].Samples[k], Sample{sample.Timestamp, sample.Value})
		}
	}
	assert.Equal(t, writev2.Metadata_METRIC_TYPE_GAUGE, got.Timeseries[0].Metadata.Type)
	assert.Equal(t, writev2.Metadata_METRIC_TYPE_COUNTER, got.Timeseries[1].Metadata.Type)
	assert.Empty(t, got.Symbols[0], "the first symbol is the empty one")
}
