package webhook

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/deliver"
	"dewline/internal/deliver/serial"
	"dewline/internal/test/memoryqueue"
)

// The forms are those of RFC 9110 sections 5.6.7 and 10.2.3.
func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 7, 17, 12, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		header, date string
		want         time.Duration
	}{
		"absent":                     {"", "", 0},
		"seconds":                    {"120", "", 2 * time.Minute},
		"none":                       {"0", "", 0},
		"no more than an hour":       {"86400", "", time.Hour},
		"a number beyond all bounds": {strings.Repeat("9", 400), "", time.Hour},
		"negative":                   {"-5", "", 0},
		"a date":                     {"Fri, 17 Jul 2026 12:05:00 GMT", "", 5 * time.Minute},
		"a date that is past":        {"Fri, 17 Jul 2026 11:05:00 GMT", "", 0},
		"a date far away":            {"Fri, 17 Jul 2126 12:05:00 GMT", "", time.Hour},
		"an obsolete form of date":   {"Friday, 17-Jul-26 12:05:00 GMT", "", 5 * time.Minute},
		"by the server's clock":      {"Thu, 01 Jan 2026 00:00:30 GMT", "Thu, 01 Jan 2026 00:00:00 GMT", 30 * time.Second},
		"neither":                    {"soon", "", 0},
		"a fraction":                 {"1.5", "", 0},
	} {
		header := http.Header{}
		header.Set("Retry-After", c.header)
		if c.date != "" {
			header.Set("Date", c.date)
		}
		assert.Equal(t, c.want, retryAfter(header, now), name)
	}
}

func FuzzRetryAfter(f *testing.F) {
	f.Add("120", "")
	f.Add("Fri, 17 Jul 2026 12:05:00 GMT", "Fri, 17 Jul 2026 12:00:00 GMT")
	f.Add("99999999999999999999", "x")
	f.Add("Mon, 01 Jan 0001 00:00:00 GMT", "Fri, 31 Dec 9999 23:59:59 GMT")
	f.Fuzz(func(t *testing.T, text, date string) {
		wait := retryAfter(http.Header{"Retry-After": {text}, "Date": {date}}, time.Unix(1782900000, 0))
		if wait < 0 || wait > serial.MaxWait {
			t.Errorf("%q is read as %s", text, wait)
		}
	})
}

// roundTripper answers in place of a server.
type roundTripper func(*http.Request) (*http.Response, error)

func (f roundTripper) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }

// TestTimes: on a fake clock, a server that asks for a pause, one that never answers, and one that does.
func TestTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var tries []time.Duration
		transport := roundTripper(func(r *http.Request) (*http.Response, error) {
			tries = append(tries, time.Since(began))
			answer := &http.Response{StatusCode: http.StatusServiceUnavailable, Header: http.Header{}, Body: http.NoBody, Request: r}
			switch len(tries) {
			case 1:
				answer.Header.Set("Retry-After", "90")
			case 2:
				<-r.Context().Done()
				return nil, context.Cause(r.Context())
			default:
				answer.StatusCode = http.StatusNoContent
			}
			return answer, nil
		})
		w, err := New(Options{
			Site: "north-loft", URL: "https://hooks.example.org/", Queue: memoryqueue.New(0, 0, 0), Transport: transport,
			Random: func() float64 { return 1 },
		})
		require.NoError(t, err)
		require.NoError(t, w.sender.Add(deliver.Item{Event: "run-1", Body: []byte("{}")}))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			assert.NoError(t, w.Run(ctx))
		}()
		time.Sleep(100 * time.Second)
		synctest.Wait()
		assert.Equal(t, "the webhook answered 503 Service Unavailable", w.Status().Err)
		time.Sleep(6 * time.Second)
		synctest.Wait()
		assert.Equal(t, "the webhook has not answered within 15s", w.Status().Err)
		time.Sleep(time.Minute)
		synctest.Wait()
		assert.Equal(t, uint64(1), w.Status().Sent)
		// The pause of 90 s, then 15 s without an answer and 2 s of waiting.
		assert.Equal(t, []time.Duration{0, 90 * time.Second, 107 * time.Second}, tries)
		cancel()
		<-done
	})
}

// sent runs a webhook on a fake clock in front of a server of which each answer is given by the body and the time since the start, and
// returns the bodies that were taken, with their times, and what was given up.
func sent(t *testing.T, length time.Duration, answer func(body string, after time.Duration) int, bodies ...string) (taken map[string]time.Duration, givenUp []string) {
	taken = map[string]time.Duration{}
	began := time.Now()
	transport := roundTripper(func(r *http.Request) (*http.Response, error) {
		body, _ := io.ReadAll(r.Body)
		status := answer(string(body), time.Since(began))
		if status == http.StatusOK {
			taken[string(body)] = time.Since(began)
		}
		return &http.Response{StatusCode: status, Header: http.Header{}, Body: http.NoBody, Request: r}, nil
	})
	w, err := New(Options{
		Site: "north-loft", URL: "https://hooks.example.org/", Queue: memoryqueue.New(0, 0, 0), Transport: transport, Random: func() float64 { return 1 },
		GivenUp: func(item deliver.Item, _ error) { givenUp = append(givenUp, item.Event) },
	})
	require.NoError(t, err)
	for _, body := range bodies {
		require.NoError(t, w.sender.Add(deliver.Item{Event: body, Class: deliver.Alarm, Body: []byte(body)}))
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		assert.NoError(t, w.Run(ctx))
	}()
	time.Sleep(length)
	synctest.Wait()
	cancel()
	<-done
	return taken, givenUp
}

// TestRefusalsThatPassCostNoAlarm: a push service that says no for five minutes gets the message within a minute after.
func TestRefusalsThatPassCostNoAlarm(t *testing.T) {
	for _, status := range []int{400, 403, 404} {
		synctest.Test(t, func(t *testing.T) {
			taken, givenUp := sent(t, 10*time.Minute, func(_ string, after time.Duration) int {
				if after < 5*time.Minute {
					return status
				}
				return http.StatusOK
			}, `{"id":"critical"}`, `{"id":"next"}`)
			assert.Empty(t, givenUp)
			require.Len(t, taken, 2)
			assert.Less(t, taken[`{"id":"critical"}`], 6*time.Minute+time.Second)
		})
	}
}

// TestOneRefusedMessageDoesNotHoldUpTheNext: if others are accepted, the refused one is given up, so that its alarm is sent again.
func TestOneRefusedMessageDoesNotHoldUpTheNext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		taken, givenUp := sent(t, 10*time.Minute, func(body string, _ time.Duration) int {
			if body == `{"id":"bad"}` {
				return http.StatusUnprocessableEntity
			}
			return http.StatusOK
		}, `{"id":"bad"}`, `{"id":"good"}`)
		assert.Equal(t, []string{`{"id":"bad"}`}, givenUp)
		assert.Less(t, taken[`{"id":"good"}`], 3*time.Minute)
	})
}
