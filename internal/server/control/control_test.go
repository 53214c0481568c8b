package control

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/server/status"
)

// socket returns a path for a socket: short enough for sun_path, which t.TempDir need not be.
func socket(t *testing.T) string {
	folder, err := os.MkdirTemp("", "dewline")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(folder) })
	return filepath.Join(folder, "control.sock")
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

// obedient does everything it is asked, and remembers it.
type obedient struct{ got []watch.Command }

func (o *obedient) command(_ context.Context, cmd watch.Command) (Response, error) {
	o.got = append(o.got, cmd)
	return Response{Done: true, Changed: true}, nil
}

// start serves until the test ends.
func start(t *testing.T, path string, current *status.Current, command Commander) *Server {
	t.Helper()
	server, err := Listen(path, current, command, nil, quiet())
	require.NoError(t, err)
	var wait sync.WaitGroup
	wait.Go(func() { assert.NoError(t, server.Serve()) })
	t.Cleanup(func() {
		assert.NoError(t, server.Close())
		wait.Wait()
	})
	return server
}

func TestAlarmsAreShown(t *testing.T) {
	nan := math.NaN()
	raised := instant.Of(time.Date(2026, 7, 6, 12, 20, 0, 0, time.UTC))
	current := &status.Current{}
	current.Set(&status.Snapshot{Alarms: []watch.AlarmState{
		{
			Name: "tub-1/water-temperature/high", Place: "tub-1", Quantity: "water-temperature", Limit: "high",
			Letter: isa.Unacknowledged, Priority: care.HighPriority, Active: true, Occurrence: "tub-1/water-temperature/high@1",
			Since: raised.Add(-time.Minute), Raised: raised, Cleared: instant.None, Until: instant.None, Setpoint: 26, Extreme: 27,
		},
		{
			Name: "sensor/tub-1-probe/fault", Place: journal.FaultPlace, Quantity: "tub-1-probe", Limit: "fault", Letter: isa.Normal,
			Since: instant.None, Raised: instant.None, Cleared: instant.None, Until: instant.None, Setpoint: nan, Extreme: math.Inf(1),
		},
	}})
	path := socket(t)
	start(t, path, current, (&obedient{}).command)
	alarms, err := Dial(path).Alarms(t.Context())
	require.NoError(t, err)
	data, err := json.Marshal(alarms)
	require.NoError(t, err)
	// The form is stable: a member more or less is a change that must be meant.
	assert.JSONEq(t, `[
		{"alarm":"tub-1/water-temperature/high","state":"B","words":"active, please confirm","priority":"high","active":true,
		 "occurrence":"tub-1/water-temperature/high@1","since":"2026-07-06T12:19:00.000Z","raised":"2026-07-06T12:20:00.000Z",
		 "cleared":null,"until":null,"unit":"Cel","setpoint":26,"extreme":27},
		{"alarm":"sensor/tub-1-probe/fault","state":"A","words":"normal","priority":"","active":false,
		 "since":null,"raised":null,"cleared":null,"until":null}
	]`, string(data))
}

func TestNotifiersAreShown(t *testing.T) {
	since := time.Date(2026, 7, 6, 12, 20, 0, 0, time.UTC)
	current := &status.Current{}
	current.Set(&status.Snapshot{Notifiers: []status.NotifierHealth{
		{Name: "mqtt", Connected: true, LastSent: since},
		{
			Name: "webhook", Pending: 2, Oldest: since, Failure: "the webhook answered 503 Service Unavailable", FailingSince: since,
			Test: status.Test{Event: "run-1-7", State: status.TestFailed, Reason: "the webhook answered 404 Not Found"},
		},
	}})
	path := socket(t)
	start(t, path, current, (&obedient{}).command)
	notifiers, err := Dial(path).Notifiers(t.Context())
	require.NoError(t, err)
	data, err := json.Marshal(notifiers)
	require.NoError(t, err)
	// The form is stable, as that of the alarms.
	assert.JSONEq(t, `[
		{"outlet":"mqtt","connected":true,"pending":0,"oldest":null,"last_sent":"2026-07-06T12:20:00.000Z","failing_since":null},
		{"outlet":"webhook","connected":false,"pending":2,"oldest":"2026-07-06T12:20:00.000Z","last_sent":null,
		 "failure":"the webhook answered 503 Service Unavailable","failing_since":"2026-07-06T12:20:00.000Z",
		 "test":{"event":"run-1-7","state":"failed","reason":"the webhook answered 404 Not Found"}}
	]`, string(data))
}

func TestATestNamesItsNotifier(t *testing.T) {
	path, keeper := socket(t), &obedient{}
	start(t, path, &status.Current{}, keeper.command)
	_, err := Dial(path).Command(t.Context(), Request{Verb: TestVerb, Notifier: "mail", By: "keeper"})
	require.NoError(t, err)
	assert.Equal(t, []watch.Command{{Verb: TestVerb, Notifiers: []string{"mail"}, By: "keeper"}}, keeper.got)
	code, body := raw(t, path, http.MethodPost, "/command", `{"verb":"report","kind":"alarm.summary"}`)
	assert.Equal(t, http.StatusBadRequest, code, "what the rules report cannot come from outside")
	assert.Contains(t, body, "unknown member")
}

func TestNoAlarmsIsAnEmptyList(t *testing.T) {
	path := socket(t)
	start(t, path, &status.Current{}, (&obedient{}).command)
	alarms, err := Dial(path).Alarms(t.Context())
	require.NoError(t, err)
	assert.Empty(t, alarms)
}

func TestCommandsArrive(t *testing.T) {
	path, keeper := socket(t), &obedient{}
	start(t, path, &status.Current{}, keeper.command)
	response, err := Dial(path).Command(t.Context(), Request{
		Verb: watch.Shelve, Alarm: "tub-1/water-temperature/high", ForSeconds: 1800.5, Reason: "water change", By: "keeper",
		At: "2026-07-06T12:00:00+01:00",
	})
	require.NoError(t, err)
	assert.Equal(t, Response{Done: true, Changed: true}, response)
	assert.Equal(t, []watch.Command{{
		Verb: watch.Shelve, Alarm: "tub-1/water-temperature/high", For: 30*time.Minute + 500*time.Millisecond,
		Reason: "water change", By: "keeper", At: instant.Of(time.Date(2026, 7, 6, 11, 0, 0, 0, time.UTC)),
	}}, keeper.got)
}

// The core's refusal is an answer, and other failures are errors that name the reason.
func TestRefusalsAndFailures(t *testing.T) {
	for name, test := range map[string]struct {
		response Response
		failure  error
		code     int
		problem  string
	}{
		"refused":          {Response{Reason: "the occurrence is over"}, nil, http.StatusConflict, ""},
		"was so already":   {Response{Done: true}, nil, http.StatusOK, ""},
		"daemon is ending": {Response{}, errors.New("the daemon is stopping"), http.StatusServiceUnavailable, "the daemon is stopping"},
	} {
		t.Run(name, func(t *testing.T) {
			path := socket(t)
			start(t, path, &status.Current{}, func(context.Context, watch.Command) (Response, error) { return test.response, test.failure })
			response, err := Dial(path).Command(t.Context(), Request{Verb: watch.Acknowledge, Occurrence: "x"})
			assert.Equal(t, test.response, response)
			if test.problem != "" {
				require.EqualError(t, err, test.problem)
			} else {
				require.NoError(t, err)
			}
			code, _ := raw(t, path, http.MethodPost, "/command", `{"verb":"acknowledge"}`)
			assert.Equal(t, test.code, code)
		})
	}
}

// raw sends a request that the client would not make.
func raw(t *testing.T, path, method, target, body string) (int, string) {
	t.Helper()
	client := http.Client{Transport: &http.Transport{
		DisableKeepAlives: true,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return (&net.Dialer{}).DialContext(ctx, "unix", path)
		},
	}}
	request, err := http.NewRequestWithContext(t.Context(), method, "http://daemon"+target, strings.NewReader(body))
	require.NoError(t, err)
	answer, err := client.Do(request)
	require.NoError(t, err)
	defer answer.Body.Close()
	data, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	return answer.StatusCode, string(data)
}

func TestBadRequestsNeverReachTheCore(t *testing.T) {
	path, keeper := socket(t), &obedient{}
	start(t, path, &status.Current{}, keeper.command)
	for name, test := range map[string]struct {
		method, target, body string
		code                 int
		says                 string
	}{
		"an unknown member":   {"POST", "/command", `{"verb":"shelve","for":1800}`, 400, `unknown member \"for\" (known: alarm, at, by,`},
		"a member in capital": {"POST", "/command", `{"Verb":"shelve"}`, 400, `unknown member \"Verb\"`},
		"a member twice":      {"POST", "/command", `{"verb":"shelve","verb":"reset"}`, 400, `appears twice`},
		"two requests":        {"POST", "/command", `{"verb":"note"}{"verb":"note"}`, 400, "follows after the closing brace"},
		"nothing":             {"POST", "/command", ``, 400, "the request is not understood"},
		"a list":              {"POST", "/command", `[]`, 400, "an object"},
		"a number for a word": {"POST", "/command", `{"verb":7}`, 400, "verb: "},
		"a negative shelf":    {"POST", "/command", `{"verb":"shelve","for_seconds":-1}`, 400, "for_seconds is -1, and must lie between 0 and 31622400"},
		"an endless shelf":    {"POST", "/command", `{"verb":"shelve","for_seconds":1e300}`, 400, "for_seconds is 1e+300"},
		"no time":             {"POST", "/command", `{"verb":"stage","at":"yesterday"}`, 400, `at: time \"yesterday\" is none of`},
		"too much":            {"POST", "/command", `{"text":"` + strings.Repeat("x", maxRequestBytes) + `"}`, 413, "too large"},
		"a GET of a command":  {"GET", "/command", ``, 405, ""},
		"a POST of the list":  {"POST", "/alarms", ``, 405, ""},
		"an unknown path":     {"GET", "/", ``, 404, ""},
	} {
		t.Run(name, func(t *testing.T) {
			code, body := raw(t, path, test.method, test.target, test.body)
			assert.Equal(t, test.code, code)
			assert.Contains(t, body, test.says)
		})
	}
	assert.Empty(t, keeper.got)
}

// The mode is set before anybody could look: an unmasked process that polls as fast as it can never sees another one.
func TestSocketIsPrivateFromTheFirstInstant(t *testing.T) {
	old := syscall.Umask(0)
	defer syscall.Umask(old)
	path := socket(t)
	stop := make(chan struct{})
	var seen []os.FileMode
	var wait sync.WaitGroup
	wait.Go(func() {
		for {
			if info, err := os.Lstat(path); err == nil && (len(seen) == 0 || seen[len(seen)-1] != info.Mode()) {
				seen = append(seen, info.Mode())
			}
			select {
			case <-stop:
				return
			default:
			}
		}
	})
	var modes []os.FileMode
	for range 20 {
		server, err := Listen(path, &status.Current{}, (&obedient{}).command, nil, quiet())
		require.NoError(t, err)
		info, err := os.Lstat(path)
		require.NoError(t, err)
		modes = append(modes, info.Mode())
		require.NoError(t, server.Close())
	}
	close(stop)
	wait.Wait()
	for _, mode := range append(modes, seen...) {
		assert.Equal(t, os.ModeSocket|0o600, mode)
	}
}

func TestSocketIsGoneAfterClose(t *testing.T) {
	path := socket(t)
	server, err := Listen(path, &status.Current{}, (&obedient{}).command, nil, quiet())
	require.NoError(t, err)
	require.FileExists(t, path)
	require.NoError(t, server.Close(), "even where it never served")
	require.NoFileExists(t, path)
}

// A daemon that was killed leaves its socket behind. The next one takes its place.
func TestDeadSocketIsReplaced(t *testing.T) {
	path := socket(t)
	dead, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	require.NoError(t, err)
	dead.SetUnlinkOnClose(false)
	require.NoError(t, dead.Close())
	require.NoError(t, os.Chmod(path, 0o777))
	start(t, path, &status.Current{}, (&obedient{}).command)
	_, err = Dial(path).Alarms(t.Context())
	require.NoError(t, err)
	info, err := os.Lstat(path)
	require.NoError(t, err)
	assert.Equal(t, os.ModeSocket|0o600, info.Mode())
}

func TestLiveSocketIsRefused(t *testing.T) {
	path := socket(t)
	start(t, path, &status.Current{}, (&obedient{}).command)
	_, err := Listen(path, &status.Current{}, (&obedient{}).command, nil, quiet())
	require.EqualError(t, err, "control socket "+path+": a daemon is running there already")
	_, err = Dial(path).Alarms(t.Context())
	require.NoError(t, err, "the first one goes on")
}

// A daemon that hangs accepts nothing, and once its backlog is full the kernel turns others away. It is alive all the same.
func TestHangingSocketIsNotTakenForDead(t *testing.T) {
	path := socket(t)
	fd, err := syscall.Socket(syscall.AF_UNIX, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	defer syscall.Close(fd)
	require.NoError(t, syscall.Bind(fd, &syscall.SockaddrUnix{Name: path}))
	require.NoError(t, syscall.Listen(fd, 0))
	var waiting []net.Conn
	for range 3 {
		if conn, err := net.DialTimeout("unix", path, 50*time.Millisecond); err == nil {
			waiting = append(waiting, conn)
		}
	}
	defer func() {
		for _, conn := range waiting {
			conn.Close()
		}
	}()
	_, err = Listen(path, &status.Current{}, (&obedient{}).command, nil, quiet())
	require.ErrorContains(t, err, "it is in use, and does not answer")
	require.FileExists(t, path)
}

func TestForeignFileIsLeftAlone(t *testing.T) {
	for name, put := range map[string]func(path string) error{
		"a file":                    func(path string) error { return os.WriteFile(path, []byte("the keeper's notes"), 0o644) },
		"a folder":                  func(path string) error { return os.Mkdir(path, 0o755) },
		"a link, even to a socket":  func(path string) error { return os.Symlink("/nowhere", path) },
		"a pipe, which could block": func(path string) error { return syscall.Mkfifo(path, 0o644) },
	} {
		t.Run(name, func(t *testing.T) {
			path := socket(t)
			require.NoError(t, put(path))
			before, err := os.Lstat(path)
			require.NoError(t, err)
			_, err = Listen(path, &status.Current{}, (&obedient{}).command, nil, quiet())
			require.EqualError(t, err, "control socket "+path+": there is something else of that name, which is left alone")
			after, err := os.Lstat(path)
			require.NoError(t, err)
			assert.True(t, os.SameFile(before, after))
		})
	}
}

func TestFolderOfTheSocketIsMade(t *testing.T) {
	path := filepath.Join(filepath.Dir(socket(t)), "run", "dewline.sock")
	start(t, path, &status.Current{}, (&obedient{}).command)
	info, err := os.Stat(filepath.Dir(path))
	require.NoError(t, err)
	assert.Zero(t, info.Mode().Perm()&0o007, "others need not even look inside")

	blocked := filepath.Join(path, "inside", "a.sock")
	_, err = Listen(blocked, &status.Current{}, (&obedient{}).command, nil, quiet())
	require.ErrorContains(t, err, "control socket: ")
}

// pipeListener hands out the far ends of pipes, so that a server can be tested on a clock that takes no time.
type pipeListener struct {
	conns chan net.Conn
	once  sync.Once
	done  chan struct{}
}

func (l *pipeListener) Accept() (net.Conn, error) {
	select {
	case conn := <-l.conns:
		return conn, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}
func (l *pipeListener) Close() error {
	l.once.Do(func() { close(l.done) })
	return nil
}
func (l *pipeListener) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "unix"} }

// A client that sends nothing, or a byte now and then, is disconnected and does not delay other clients.
func TestSlowClientsAreCutOff(t *testing.T) {
	for name, test := range map[string]struct {
		opening string
		within  time.Duration
	}{
		"silent":                {"", 5 * time.Second},
		"stuck in its header":   {"POST /command HTTP/1.1\r\nHost: d", 5 * time.Second},
		"stuck in its body":     {"POST /command HTTP/1.1\r\nHost: daemon\r\nContent-Length: 50\r\n\r\n{", 10 * time.Second},
		"idle after its answer": {"GET /alarms HTTP/1.1\r\nHost: daemon\r\n\r\n", time.Minute},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				keeper := &obedient{}
				listener := &pipeListener{conns: make(chan net.Conn), done: make(chan struct{})}
				server := &Server{listener: listener, http: newHTTP(&status.Current{}, keeper.command, nil, quiet())}
				var wait sync.WaitGroup
				wait.Go(func() { assert.NoError(t, server.Serve()) })
				near, far := net.Pipe()
				listener.conns <- far
				began := time.Now()
				wait.Go(func() { _, _ = near.Write([]byte(test.opening)) })
				_, err := io.Copy(io.Discard, near) // ends when the server hangs up
				assert.NoError(t, err)
				assert.Equal(t, test.within, time.Since(began))
				assert.Empty(t, keeper.got)
				near.Close()
				require.NoError(t, server.Close())
				wait.Wait()
			})
		})
	}
}

// Closing does not wait for a command that hangs in the core.
func TestCloseCutsOffWhatHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		listener := &pipeListener{conns: make(chan net.Conn), done: make(chan struct{})}
		hang := func(ctx context.Context, _ watch.Command) (Response, error) {
			<-ctx.Done()
			return Response{}, ctx.Err()
		}
		server := &Server{listener: listener, http: newHTTP(&status.Current{}, hang, nil, quiet())}
		var wait sync.WaitGroup
		wait.Go(func() { assert.NoError(t, server.Serve()) })
		near, far := net.Pipe()
		listener.conns <- far
		body := `{"verb":"note"}`
		_, err := fmt.Fprintf(near, "POST /command HTTP/1.1\r\nHost: daemon\r\nContent-Length: %d\r\n\r\n%s", len(body), body)
		require.NoError(t, err)
		synctest.Wait()
		began := time.Now()
		require.NoError(t, server.Close())
		assert.Equal(t, time.Second, time.Since(began))
		_, err = io.Copy(io.Discard, near)
		require.NoError(t, err)
		wait.Wait()
	})
}

func TestClientErrorsSayWhatToDo(t *testing.T) {
	path := socket(t)
	_, err := Dial(path).Alarms(t.Context())
	require.EqualError(t, err, "no daemon answers at "+path+": is dewline running (systemctl status dewline), and with this control socket?")

	dead, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	require.NoError(t, err)
	dead.SetUnlinkOnClose(false)
	require.NoError(t, dead.Close())
	_, err = Dial(path).Command(t.Context(), Request{Verb: watch.WriteNote})
	require.EqualError(t, err, "no daemon answers at "+path+": is dewline running (systemctl status dewline), and with this control socket?")

	// The test may run as root, whom no mode keeps out, so the error is made by hand.
	denied := &net.OpError{Op: "dial", Net: "unix", Err: os.NewSyscallError("connect", syscall.EACCES)}
	require.EqualError(t, Dial(path).explain(denied),
		path+" belongs to the user the daemon runs as: run this as that user, or with sudo")

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = Dial(path).Alarms(ctx)
	require.ErrorIs(t, err, context.Canceled)
	require.ErrorContains(t, err, "talking to the daemon at "+path)
}

// Another program may answer at that path, or a daemon of another version.
func TestClientDoesNotTrustTheAnswer(t *testing.T) {
	for name, test := range map[string]struct {
		code    int
		body    string
		problem string
	}{
		"another version": {404, "404 page not found\n", "answers 404 Not Found: is it of another version?"},
		"no JSON":         {200, "hello", "is not understood: invalid character 'h'"},
		"another form":    {200, `"hello"`, "is not understood: json: cannot unmarshal string"},
		"without a reason": {
			500, `{}`, "answers 500 Internal Server Error: is it of another version?",
		},
		"with a reason": {400, `{"reason":"the request is not understood"}`, "the request is not understood"},
		"no end":        {200, "[" + strings.Repeat(" ", maxAnswerBytes+1), "is longer than 4194304 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			path := socket(t)
			listener, err := net.Listen("unix", path)
			require.NoError(t, err)
			other := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				w.WriteHeader(test.code)
				_, _ = io.WriteString(w, test.body)
			})}
			var wait sync.WaitGroup
			wait.Go(func() { _ = other.Serve(listener) })
			defer wait.Wait()
			defer other.Close()
			_, err = Dial(path).Alarms(t.Context())
			require.ErrorContains(t, err, test.problem)
			response, err := Dial(path).Command(t.Context(), Request{Verb: watch.WriteNote})
			require.ErrorContains(t, err, test.problem)
			assert.Zero(t, response)
		})
	}
}

// FuzzRequest: whatever is understood says the same when it is written again, its command is bounded, and what is not
// understood gives nothing.
func FuzzRequest(f *testing.F) {
	for _, seed := range []string{
		`{"verb":"acknowledge","occurrence":"tub-1/water-temperature/high@2026-07-06T12:20:00.000Z","by":"keeper"}`,
		`{"verb":"shelve","alarm":"tub-1/water-temperature/high","for_seconds":1800,"reason":"water change"}`,
		`{"verb":"stage","cohort":"a-2026","stage":"metamorph","at":"2026-09-20T11:00:00+01:00"}`,
		`{"verb":"shelve","for_seconds":1e308}`, `{"verb":"shelve","for_seconds":-0}`, `{"verb":null}`, `{"Verb":"x"}`,
		`{"verb":"x","verb":"y"}`, `{}{}`, `[]`, ``, `{"text":"\ud800"}`, "{\"text\":\"\xff\"}", `{"at":"9999-01-01T00:00:00Z"}`,
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		request, err := decodeRequest(data)
		if err != nil {
			require.Zero(t, request)
			return
		}
		written, err := json.Marshal(request)
		require.NoError(t, err)
		again, err := decodeRequest(written)
		require.NoError(t, err, "%s", written)
		require.Equal(t, request, again)
		cmd, err := request.Command(time.UTC, time.Time{})
		if err != nil {
			require.Zero(t, cmd)
			return
		}
		require.GreaterOrEqual(t, cmd.For, time.Duration(0))
		require.LessOrEqual(t, cmd.For, maxSeconds*time.Second)
	})
}
