package web_test

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"dewline/internal/server/web"
)

// asked are the addresses that take a query.
var asked = []string{"/api/now", "/api/trend", "/api/marks", "/api/exposure", "/api/journal", "/api/readings.csv", "/", "/trend", "/assets/x"}

// Whatever is asked in whatever way, the server answers, with JSON that can be read where it promises JSON, and never with a
// failure of its own.
func FuzzQuery(f *testing.F) {
	r := newRig(f)
	site := r.serve(f, r.options(f))
	for i := range asked {
		f.Add(uint8(i), "")
		f.Add(uint8(i), "point=tub-1/water-temperature&from=2026-07-13T00:00:00Z&to=2026-07-14T00:00:00Z&columns=100")
		f.Add(uint8(i), "point=loft/dew-point&from=1678-01-01T00:00:00Z&to=2262-01-01T00:00:00Z&n=99999999999&limit=-1")
		f.Add(uint8(i), "place=tub-1&before=18446744073709551615&kind=alarm.raised&;%zz&from=&to=")
		f.Add(uint8(i), "cohort=a-2026&point=%00&point=tub-1&day=2026-02-30")
	}
	f.Fuzz(func(t *testing.T, address uint8, query string) {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, site+asked[int(address)%len(asked)], nil)
		require.NoError(t, err)
		request.URL.RawQuery = query
		response, err := http.DefaultClient.Do(request)
		if err != nil {
			return // not even a request
		}
		defer response.Body.Close()
		body, err := io.ReadAll(response.Body)
		require.NoError(t, err)
		require.Less(t, response.StatusCode, 500, "%s", body)
		if response.Header.Get("Content-Type") == "application/json" {
			require.True(t, json.Valid(body), "%s", body)
		}
	})
}

// A body that is no command is refused in words; one that is a command has an outcome.
func FuzzCommandBody(f *testing.F) {
	r := newRig(f)
	site := r.serve(f, r.options(f))
	for _, body := range []string{
		``, `{}`, `null`, `[]`, `{"verb":"acknowledge","alarm":"tub-1/water-temperature/high","occurrence":"x@1","by":"Ines"}`,
		`{"verb":"shelve","alarm":"tub-1/water-temperature/high","for_seconds":1e300,"reason":"r"}`, `{"verb":"note","text":"\u0000"}`,
		`{"verb":"stage","cohort":"a-2026","stage":"metamorph","at":"2026-13-01T00:00:00Z"}`, `{"verb":"repeat"}`, `{"verb":"misting","place":"vivarium-1","for_seconds":30}{}`,
	} {
		f.Add([]byte(body))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		response, err := http.Post(site+"/api/command", "application/json", bytes.NewReader(body))
		require.NoError(t, err)
		defer response.Body.Close()
		answer, err := io.ReadAll(response.Body)
		require.NoError(t, err)
		require.Contains(t, []int{http.StatusOK, http.StatusBadRequest, http.StatusConflict}, response.StatusCode, "%s", answer)
		var problem web.Error
		require.NoError(t, json.Unmarshal(answer, &problem))
		if response.StatusCode != http.StatusOK {
			require.Contains(t, string(answer), `"reason"`)
		}
	})
}
