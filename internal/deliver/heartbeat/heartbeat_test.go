package heartbeat_test

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/deliver/heartbeat"
)

func well() error { return nil }

// far answers in place of a server, and writes down when it was asked.
type far struct {
	began  time.Time
	asked  []time.Duration
	answer func(r *http.Request, n int) (int, error)
}

func (f *far) RoundTrip(r *http.Request) (*http.Response, error) {
	f.asked = append(f.asked, time.Since(f.began))
	status, err := http.StatusOK, error(nil)
	if f.answer != nil {
		status, err = f.answer(r, len(f.asked))
	}
	if err != nil {
		return nil, err
	}
	return &http.Response{StatusCode: status, Header: http.Header{}, Body: http.NoBody, Request: r}, nil
}

// beat runs a heartbeat for a length of fake time and returns its state at the end, and its log.
func beat(t *testing.T, f *far, healthy func() error, how time.Duration) (heartbeat.Status, string) {
	t.Helper()
	f.began = time.Now()
	var log strings.Builder
	b, err := heartbeat.New(heartbeat.Options{
		URL: "https://beat.example.org/s3cret", Healthy: healthy, Transport: f, Log: slog.New(slog.NewTextHandler(&log, nil)),
	})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { assert.NoError(t, b.Run(ctx)) })
	time.Sleep(how)
	synctest.Wait()
	cancel()
	done.Wait()
	assert.NotContains(t, log.String(), "s3cret")
	assert.NotContains(t, log.String(), "example.org")
	return b.Status(), log.String()
}

func minutes(n ...int) (times []time.Duration) {
	for _, m := range n {
		times = append(times, time.Duration(m)*time.Minute)
	}
	return times
}

func TestBeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		status, log := beat(t, f, well, 16*time.Minute)
		assert.Equal(t, minutes(0, 5, 10, 15), f.asked)
		assert.Equal(t, uint64(4), status.Sent)
		assert.Equal(t, f.began.Add(15*time.Minute), status.Last)
		assert.Empty(t, log)
	})
}

func TestNoBeatWhileNotAllIsWell(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{}
		began := time.Now()
		status, log := beat(t, f, func() error {
			if at := time.Since(began); at >= 5*time.Minute && at < 20*time.Minute {
				return errors.New("the core has not moved for 2m0s")
			}
			return nil
		}, 21*time.Minute)
		assert.Equal(t, minutes(0, 20), f.asked)
		assert.Equal(t, uint64(3), status.Withheld)
		assert.Empty(t, status.Err)
		assert.Equal(t, 1, strings.Count(log, "the heartbeat is withheld: the core has not moved"), "told once")
		assert.Equal(t, 1, strings.Count(log, "is answered again"))
	})
}

func TestFailuresAreCountedAndDelayNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(r *http.Request, n int) (int, error) {
			switch n {
			case 1:
				return http.StatusInternalServerError, nil
			case 2:
				<-r.Context().Done() // no answer
				return 0, context.Cause(r.Context())
			case 3:
				return 0, errors.New("proxy at s3cret.example.org refused")
			}
			return http.StatusNoContent, nil
		}}
		status, log := beat(t, f, well, 16*time.Minute)
		assert.Equal(t, minutes(0, 5, 10, 15), f.asked)
		assert.Equal(t, uint64(3), status.Failed)
		assert.Equal(t, uint64(1), status.Sent)
		assert.Contains(t, log, "500 Internal Server Error")
		assert.Contains(t, log, "was not answered within 15s")
	})
}

func TestTheEndCutsABeatOffAndIsNoFailure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &far{answer: func(r *http.Request, _ int) (int, error) {
			<-r.Context().Done()
			return 0, context.Cause(r.Context())
		}}
		status, _ := beat(t, f, well, time.Second)
		assert.Equal(t, time.Second, time.Since(f.began))
		assert.Zero(t, status.Failed)
	})
}

func TestARealServer(t *testing.T) {
	heard := make(chan *http.Request, 100)
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { heard <- r }))
	defer server.Close()
	path := filepath.Join(t.TempDir(), "url")
	require.NoError(t, os.WriteFile(path, []byte(server.URL+"/s3cret\n"), 0o600))
	b, err := heartbeat.New(heartbeat.Options{URLFile: path, Healthy: well})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { assert.NoError(t, b.Run(ctx)) })
	select {
	case r := <-heard:
		assert.Equal(t, http.MethodGet, r.Method)
		assert.Equal(t, "/s3cret", r.URL.Path)
		assert.Equal(t, "dewline", r.UserAgent())
	case <-time.After(20 * time.Second):
		assert.Fail(t, "no beat")
	}
	assert.Eventually(t, func() bool { return b.Status().Sent == 1 }, 30*time.Second, time.Millisecond)
	cancel()
	done.Wait()
}

func TestOptions(t *testing.T) {
	for name, c := range map[string]struct {
		o    heartbeat.Options
		want string
	}{
		"no Healthy":    {heartbeat.Options{URL: "https://beat.example.org/s3cret"}, "Healthy is required"},
		"no address":    {heartbeat.Options{Healthy: well}, "must begin with https://"},
		"two addresses": {heartbeat.Options{Healthy: well, URL: "https://beat.example.org/s3cret", URLFile: "/etc/beat"}, "give either"},
		"no URL":        {heartbeat.Options{Healthy: well, URL: "s3cret"}, "must begin with https://"},
	} {
		_, err := heartbeat.New(c.o)
		require.ErrorContains(t, err, c.want, name)
		assert.NotContains(t, err.Error(), "s3cret", name)
	}
}
