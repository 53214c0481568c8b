package metrics

import (
	"bytes"
	"math"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What is written is, to the byte, what the client library of Prometheus makes of the same samples, in both formats.
func TestWritesAsTheClientLibrary(t *testing.T) {
	depth := gauge("dewline_depth_metres", "metres", "How deep it is.", "place", "by")
	drops := counter("dewline_drops_total", "", "Drops that fell.", "place")
	up := gauge("dewline_up", "", "1 while it runs.")
	var got exposition
	library := prometheus.NewRegistry()
	send := func(of *family, value float64, labels ...string) {
		got.send(of, value, labels...)
		kind, names := prometheus.GaugeValue, make([]string, len(of.labels))
		if of.counter {
			kind = prometheus.CounterValue
		}
		for _, l := range of.labels {
			names[l.value] = l.name
		}
		var options []prometheus.DescOpt
		if of.unit != "" {
			options = append(options, prometheus.WithUnit(of.unit))
		}
		desc := prometheus.V2.NewDesc(of.name, of.help, prometheus.UnconstrainedLabels(names), nil, options...)
		library.MustRegister(one{prometheus.MustNewConstMetric(desc, kind, value, labels...)})
	}
	send(up, 1)
	for i, value := range []float64{0, -1, 1, 0.1, -17.25, 1e21, 1e-9, 1784292000.123, 123456789, math.NaN(), math.Inf(1), math.Inf(-1)} {
		send(depth, value, "tub-1", string(rune('z'-i)))
	}
	send(depth, 2, "tub-10", "a \"name\" with \\ and\na second line")
	send(depth, 3, "Größe", "")
	send(drops, 41, "tub-2")
	send(drops, 0, "tub-1")
	for _, open := range []bool{false, true} {
		format := expfmt.NewFormat(expfmt.TypeTextPlain)
		if open {
			format, _ = expfmt.NewOpenMetricsFormat(expfmt.OpenMetricsVersion_1_0_0)
		}
		families, err := library.Gather()
		require.NoError(t, err)
		var want bytes.Buffer
		encoder := expfmt.NewEncoder(&want, format)
		for _, f := range families {
			require.NoError(t, encoder.Encode(f))
		}
		require.NoError(t, encoder.(expfmt.Closer).Close())
		assert.Equal(t, want.String(), string(got.text(open)))
	}
}

// one is a collector of one metric that is not described beforehand.
type one struct{ metric prometheus.Metric }

func (one) Describe(chan<- *prometheus.Desc)           {}
func (o one) Collect(metrics chan<- prometheus.Metric) { metrics <- o.metric }

// Of two samples with one name the first is there, and only it.
func TestASampleIsThereOnce(t *testing.T) {
	sent := counter("dewline_sent_total", "", "Messages.", "outlet")
	var e exposition
	e.send(sent, 7, "phone")
	e.send(sent, 3, "mail")
	e.send(sent, 9, "phone")
	assert.Equal(t, "# HELP dewline_sent_total Messages.\n# TYPE dewline_sent_total counter\n"+
		"dewline_sent_total{outlet=\"mail\"} 3\ndewline_sent_total{outlet=\"phone\"} 7\n", string(e.text(false)))
}

func TestWhoTakesOpenMetrics(t *testing.T) {
	for accept, want := range map[string]bool{
		"":                             false,
		"*/*":                          false,
		"text/plain":                   false,
		"application/openmetrics-text": true,
		"application/openmetrics-text; version=1.0.0":                                                                    true,
		"application/openmetrics-text; version=0.0.1":                                                                    false,
		"application/openmetrics-text; version=2.0.0, text/plain":                                                        false,
		"application/openmetrics-text; version=1.0.0; q=0, text/plain":                                                   false,
		"application/openmetrics-text; q=often":                                                                          false,
		"application/vnd.example, ;;, application/openmetrics-text; version=1.0.0; q=0.5, text/plain; q=0.2, */*; q=0.1": true,
	} {
		r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
		r.Header.Set("Accept", accept)
		assert.Equal(t, want, takesOpenMetrics(r), accept)
	}
}
