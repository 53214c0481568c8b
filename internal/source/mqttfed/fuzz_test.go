package mqttfed

import (
	"testing"
	"time"

	"dewline/internal/mqtt"
	"dewline/sensors"
)

// FuzzFeed sends any payload to each kind of source. The law: a sample has values within their range and no error, or a typed
// error and no values; and its time is neither to come nor older than the stale time.
func FuzzFeed(f *testing.F) {
	for _, payload := range []string{
		"23.4", " 1e9 ", "nan", "0x10", "", `{"bme":{"t":72.5,"rh":"61.5","p":1013.25}}`, `{"bme":{"t":null,"rh":[],"p":{}}}`,
		`[{"bn":"esp:","bt":1782907200,"n":"t","u":"Cel","v":22.5},{"n":"rh","u":"%RH","v":61.5,"t":-5}]`,
		`[{"n":"esp:t","u":"K","v":295,"t":-10},{"n":"esp:t","u":"K","bv":1e308,"v":1e308}]`, `[[[[`, "\xff\x00",
	} {
		f.Add([]byte(payload), false)
		f.Add([]byte(payload), true)
	}
	f.Fuzz(func(t *testing.T, payload []byte, retained bool) {
		for _, s := range []Source{plainProbe, board, senmlBoard} {
			feed := newFeed(t, s)
			for range 2 {
				for _, sample := range feed.Take(mqtt.Received{Topic: s.Topic, Payload: payload, Retained: retained, At: noon}) {
					if sample.Sensor != s.ID || len(sample.Reading.Evidence) > maxEvidence {
						t.Fatalf("%+v", sample)
					}
					if sample.At.After(noon) || sample.At.Before(noon.Add(-5*time.Minute)) {
						t.Fatalf("stamped %s", sample.At)
					}
					if (sample.Err == nil) != (len(sample.Reading.Values) > 0) {
						t.Fatalf("values %v with error %v", sample.Reading.Values, sample.Err)
					}
					if sample.Err != nil && (sensors.KindOf(sample.Err) == sensors.Unknown || len(sample.Err.Error()) > 4096) {
						t.Fatalf("the error is not typed or too long: %v", sample.Err)
					}
					for _, v := range sample.Reading.Values {
						if limits := known[v.Channel]; !(v.Value >= limits.low && v.Value <= limits.high) {
							t.Fatalf("%s %g is out of range", v.Channel, v.Value)
						}
					}
				}
			}
		}
	})
}
