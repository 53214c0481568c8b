package mail_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"mime/quotedprintable"
	netmail "net/mail"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/deliver"
	"dewline/internal/deliver/mail"
	"dewline/internal/deliver/text"
	"dewline/internal/test/delivertest"
	"dewline/internal/test/memoryqueue"
)

// These tests talk to a real mail server on loopback, their own. All data are invented.

const password = "s3cret-password"

func lisbon(t testing.TB) *time.Location {
	t.Helper()
	location, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	return location
}

func formatter(t testing.TB) *text.Formatter {
	return &text.Formatter{
		Site: "north-loft", Location: lisbon(t), Temperature: quantity.Fahrenheit,
		Titles: map[string]string{"tub-1": "Tub 1", "loft": "the North Loft"},
	}
}

func raised(seq uint64) *journal.Entry {
	return &journal.Entry{
		Seq: seq, Run: "run", At: instant.Of(time.Date(2026, 7, 17, 13, 40, 0, 0, time.UTC)), Kind: journal.AlarmRaised,
		Alarm: "tub-1/water-temperature/high", Occurrence: "tub-1/water-temperature/high@2026-07-17T13:40:00.000Z",
		State: "B", Was: "A", Priority: "high", Unit: "Cel", Value: new(25.6), Setpoint: new(24.0), Extreme: new(25.7), Place: "tub-1",
		Since: new(instant.Of(time.Date(2026, 7, 17, 13, 9, 48, 0, time.UTC))),
	}
}

// log is a buffer that several goroutines write to.
type log struct {
	mu sync.Mutex
	b  strings.Builder
}

func (l *log) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func secretFile(t *testing.T, content string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "password")
	require.NoError(t, os.WriteFile(path, []byte(content+"\n"), 0o600))
	return path
}

// post runs a mail notifier until the end of the test.
type post struct {
	*mail.Mail
	t       *testing.T
	queue   *memoryqueue.Memory
	log     *log
	mu      sync.Mutex
	givenUp []string
}

func send(t *testing.T, s *smtpd, change ...func(*mail.Options)) *post {
	t.Helper()
	p := &post{t: t, queue: memoryqueue.New(0, 0, 0), log: &log{}}
	o := mail.Options{
		Name: "mail", Text: formatter(t), Server: s.addr, Security: mail.StartTLS, Roots: s.roots, Queue: p.queue,
		From: "North Loft <dewline@example.org>", To: []string{"keeper@example.org"}, Log: slog.New(slog.NewTextHandler(p.log, nil)),
		GivenUp: func(item deliver.Item, why error) {
			p.mu.Lock()
			defer p.mu.Unlock()
			p.givenUp = append(p.givenUp, item.Event+": "+why.Error())
		},
		Random: func() float64 { return 0 },
	}
	for _, c := range change {
		c(&o)
	}
	m, err := mail.New(o)
	require.NoError(t, err)
	p.Mail = m
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { assert.NoError(t, m.Run(ctx)) })
	t.Cleanup(func() {
		cancel()
		done.Wait()
		assert.NotContains(t, p.log.String(), "s3cret", "the log must not tell it")
		assert.NotContains(t, m.Status().Err, "s3cret", "nor the status")
	})
	return p
}

func (p *post) empty() {
	p.t.Helper()
	require.Eventually(p.t, func() bool { return p.queue.Pending() == 0 }, 20*time.Second, time.Millisecond)
}

func (p *post) troubled(with string) {
	p.t.Helper()
	require.Eventually(p.t, func() bool { return strings.Contains(p.Status().Err, with) }, 20*time.Second, time.Millisecond, with)
}

func (p *post) refusals() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.givenUp...)
}

func withLogin(s *smtpd) { s.user, s.pass = "loft", password }

func logsIn(t *testing.T) func(*mail.Options) {
	path := secretFile(t, password)
	return func(o *mail.Options) { o.Username, o.PasswordFile = "loft", path }
}

func TestTheMessage(t *testing.T) {
	s := serve(t)
	sent := time.Date(2026, 7, 17, 14, 40, 5, 0, lisbon(t))
	p := send(t, s, func(o *mail.Options) { o.Now = func() time.Time { return sent } })
	delivertest.Send(t, p, raised(17))
	got := s.wait(1)[0]
	assert.Equal(t, "dewline@example.org", got.from)
	assert.Equal(t, []string{"keeper@example.org"}, got.to)
	assert.True(t, got.tls)

	message, err := netmail.ReadMessage(strings.NewReader(got.data))
	require.NoError(t, err)
	h := message.Header
	assert.Equal(t, `"North Loft" <dewline@example.org>`, h.Get("From"))
	assert.Equal(t, "<keeper@example.org>", h.Get("To"))
	assert.Equal(t, "<run-17.north-loft@example.org>", h.Get("Message-ID"))
	assert.Equal(t, "Fri, 17 Jul 2026 14:40:05 +0100", h.Get("Date"))
	assert.Equal(t, "auto-generated", h.Get("Auto-Submitted"), "RFC 3834")
	assert.Equal(t, "high", h.Get("Importance"))
	assert.Regexp(t, `^<[0-9a-f]{24}\.north-loft@example\.org>$`, h.Get("References"))
	kind, parameters, err := mime.ParseMediaType(h.Get("Content-Type"))
	require.NoError(t, err)
	assert.Equal(t, "text/plain", kind)
	assert.Equal(t, "UTF-8", parameters["charset"])
	subject, err := (&mime.WordDecoder{}).DecodeHeader(h.Get("Subject"))
	require.NoError(t, err)
	assert.Equal(t, "[north-loft] ALARM: Tub 1: water too warm, 78.1 °F", subject)
	require.Equal(t, "quoted-printable", h.Get("Content-Transfer-Encoding"))
	body, err := io.ReadAll(quotedprintable.NewReader(message.Body))
	require.NoError(t, err)
	assert.Equal(t, formatter(t).Message(raised(17)).Text, strings.ReplaceAll(string(body), "\r\n", "\n"))
	p.empty()
	assert.Equal(t, uint64(1), p.Status().Sent)
}

func TestAConversation(t *testing.T) {
	s := serve(t)
	p := send(t, s)
	again, over, other := raised(18), raised(19), raised(20)
	again.Kind, again.Repeats = journal.AlarmRepeated, 1
	over.Kind, over.State, over.Was = journal.AlarmCleared, "D", "B"
	other.Occurrence += "-another"
	for _, e := range []*journal.Entry{raised(17), again, over, other} {
		delivertest.Send(t, p, e)
	}
	got := s.wait(4)
	ids := map[string]bool{}
	var threads []string
	for _, m := range got {
		ids[m.header(t).Get("Message-Id")] = true
		threads = append(threads, m.header(t).Get("References"))
	}
	assert.Len(t, ids, 4)
	assert.Equal(t, threads[0], threads[1])
	assert.Equal(t, threads[0], threads[2])
	assert.NotEqual(t, threads[0], threads[3])
	assert.Empty(t, got[2].header(t).Get("Importance"), "an end is not urgent")
}

func TestSecurity(t *testing.T) {
	for name, c := range map[string]struct {
		server func(*smtpd)
		how    mail.Security
		tls    bool
	}{
		"STARTTLS":                  {func(*smtpd) {}, mail.StartTLS, true},
		"STARTTLS is the default":   {func(*smtpd) {}, "", true},
		"TLS":                       {func(s *smtpd) { s.direct = true }, mail.TLS, true},
		"in clear":                  {func(s *smtpd) { s.plain = true }, mail.None, false},
		"LOGIN with TLS":            {func(s *smtpd) { s.auth = "LOGIN" }, mail.StartTLS, true},
		"LOGIN in clear, loopback":  {func(s *smtpd) { s.auth, s.plain = "LOGIN", true }, mail.None, false},
		"unknown ways beside PLAIN": {func(s *smtpd) { s.auth = "XOAUTH2 PLAIN" }, mail.StartTLS, true},
		"CRAM-MD5 in clear":         {func(s *smtpd) { s.auth, s.plain = "PLAIN CRAM-MD5", true }, mail.None, false},
	} {
		t.Run(name, func(t *testing.T) {
			s := serve(t, withLogin, c.server)
			p := send(t, s, logsIn(t), func(o *mail.Options) { o.Security = c.how })
			delivertest.Send(t, p, raised(1))
			got := s.wait(1)[0]
			assert.Equal(t, c.tls, got.tls)
			assert.Equal(t, "loft", got.user)
			assert.Equal(t, strings.Contains(name, "CRAM-MD5"), s.count("AUTH CRAM-MD5") == 1, "where it is not offered, nor needed")
			p.empty()
		})
	}
}

// TestNothingIsSentWithoutTheSecurityThatIsAskedFor: neither message nor password.
func TestNothingIsSentWithoutTheSecurityThatIsAskedFor(t *testing.T) {
	for name, c := range map[string]struct {
		server  func(*smtpd)
		options func(*mail.Options)
		want    string
	}{
		"no STARTTLS":             {func(s *smtpd) { s.plain = true }, func(*mail.Options) {}, "STARTTLS"},
		"STARTTLS refused":        {func(s *smtpd) { s.answer = script("STARTTLS", "454 not now") }, func(*mail.Options) {}, "not ready (454)"},
		"a certificate of nobody": {func(*smtpd) {}, func(o *mail.Options) { o.Roots = nil }, "certificate"},
		"the same, TLS at once":   {func(s *smtpd) { s.direct = true }, func(o *mail.Options) { o.Roots, o.Security = nil, mail.TLS }, "certificate"},
		"no way to log in":        {func(s *smtpd) { s.auth = "XOAUTH2" }, func(*mail.Options) {}, "neither PLAIN nor LOGIN"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := serve(t, withLogin, c.server)
			p := send(t, s, logsIn(t), c.options)
			delivertest.Send(t, p, raised(1))
			p.troubled(c.want)
			assert.Empty(t, s.messages())
			assert.Zero(t, s.count("AUTH"))
			assert.Empty(t, p.refusals(), "the keeper can put it right, and then it goes out")
		})
	}
}

// script answers each of a kind of command the same.
func script(verb, reply string) func(string, string) string {
	return func(v, _ string) string {
		if v == verb {
			return reply
		}
		return ""
	}
}

func TestThePasswordIsReadForEachConnection(t *testing.T) {
	s := serve(t, withLogin)
	path := secretFile(t, "s3cret-but-wrong")
	p := send(t, s, func(o *mail.Options) { o.Username, o.PasswordFile = "loft", path })
	delivertest.Send(t, p, raised(1))
	p.troubled("the mail server refused the login (535): are user name and password right?")
	require.NoError(t, os.WriteFile(path, []byte(password), 0o600))
	assert.Len(t, s.wait(1), 1)
	p.empty()
	assert.Empty(t, p.refusals())

	require.NoError(t, os.Remove(path))
	delivertest.Send(t, p, raised(2))
	p.troubled("no such file")
	require.NoError(t, os.WriteFile(path, []byte(password), 0o600))
	s.wait(2)
}

func TestAServerThatWantsALogin(t *testing.T) {
	s := serve(t, withLogin)
	p := send(t, s)
	delivertest.Send(t, p, raised(1))
	p.troubled("530")
	assert.Empty(t, p.refusals(), "that is no fault of the letter")
}

func TestEachReceiverOnItsOwn(t *testing.T) {
	s := serve(t)
	busy := 2
	s.script(func(verb, rest string) string {
		switch {
		case verb == "RCPT" && strings.Contains(rest, "mistyped"):
			return "550 5.1.1 nobody of that name"
		case verb == "RCPT" && strings.Contains(rest, "friend") && busy > 0:
			busy--
			return "450 4.2.0 greylisted, come again"
		}
		return ""
	})
	p := send(t, s, func(o *mail.Options) {
		o.To = []string{"Mistyped <mistyped@example.org>", "keeper@example.org", "friend@example.org"}
	})
	delivertest.Send(t, p, raised(1))
	s.wait(2)
	p.empty()
	got := s.messages()
	require.Len(t, got, 2, "nobody gets it twice, although it was tried three times")
	assert.Equal(t, []string{"keeper@example.org"}, got[0].to)
	assert.Equal(t, []string{"friend@example.org"}, got[1].to)
	assert.Equal(t, got[0].header(t).Get("Message-Id"), got[1].header(t).Get("Message-Id"))
	assert.NotContains(t, got[0].data, "friend@", "they do not see each other")
	assert.Equal(t, 1, s.count("RCPT TO:<mistyped"), "nor is it tried there again")
	assert.Equal(t, 3, s.count("RCPT TO:<friend"))
	assert.Empty(t, p.refusals())
	assert.Contains(t, p.log.String(), "a receiver is left out")
	assert.Contains(t, p.log.String(), "the mail server answered 550 5.1.1 nobody of that name")
}

func TestALetterThatNobodyTakesIsGivenUp(t *testing.T) {
	for name, c := range map[string]struct{ verb, reply string }{
		"the sender":    {"MAIL", "553 5.1.8 sender refused"},
		"the receivers": {"RCPT", "550 5.1.1 nobody of that name"},
		"the beginning": {"DATA", "554 5.7.1 no"},
		"the content":   {"END", "554 5.7.1 looks like spam"},
	} {
		t.Run(name, func(t *testing.T) {
			s := serve(t)
			first := true
			s.script(func(verb, _ string) string {
				if verb == "QUIT" {
					first = false
				}
				if first && verb == c.verb {
					return c.reply
				}
				return ""
			})
			p := send(t, s)
			delivertest.Send(t, p, raised(1))
			delivertest.Send(t, p, raised(2))
			got := s.wait(1)
			assert.Contains(t, got[0].header(t).Get("Message-Id"), "run-2.", "the next one does not wait")
			p.empty()
			require.Len(t, p.refusals(), 1)
			assert.Equal(t, "run-1: this message can never be sent: the mail server refused it for every receiver, last to keeper@example.org: "+
				"the mail server answered "+c.reply, p.refusals()[0])
			assert.Equal(t, uint64(1), p.Status().GivenUp)
		})
	}
}

func TestTroubleThatPasses(t *testing.T) {
	for name, c := range map[string]struct {
		verb, reply string
	}{
		"at the greeting":             {"GREETING", "554 no service here"},
		"closing down":                {"GREETING", "421 closing down"},
		"mailbox busy":                {"RCPT", "450 4.2.1 busy"},
		"no room":                     {"MAIL", "452 4.3.1 no room"},
		"after the content":           {"END", "451 4.3.0 later"},
		"closing down in between":     {"RCPT", "421 4.3.2 closing down"},
		"lost before the answer":      {"END", "hang up"},
		"lost at the receiver":        {"RCPT", "hang up"},
		"a login that has to wait":    {"AUTH", "454 4.7.0 later"},
		"trouble after it was taken":  {"RSET", "451 4.3.0 oh no"},
		"hung up after it was taken":  {"RSET", "hang up"},
		"no goodbye":                  {"QUIT", "hang up"},
		"a refusal to check the line": {"NOOP", "hang up"},
		"an answer that is no answer": {"RCPT", "as you like"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := serve(t, withLogin)
			once := true
			s.script(func(verb, _ string) string {
				if once && verb == c.verb {
					once = false
					return c.reply
				}
				return ""
			})
			p := send(t, s, logsIn(t))
			delivertest.Send(t, p, raised(1))
			s.wait(1)
			p.empty()
			assert.Len(t, s.messages(), 1)
			assert.Empty(t, p.refusals())
			assert.Eventually(t, func() bool { return p.Status().Sent == 1 && p.Status().Err == "" }, 10*time.Second, time.Millisecond)
		})
	}
}

// After a refusal the server has to forget before the next receiver is named. Where it does not, that is no answer about the next one.
func TestARefusalIsForgottenBeforeTheNextReceiver(t *testing.T) {
	s := serve(t)
	confused := true
	s.script(func(verb, rest string) string {
		switch {
		case verb == "RCPT" && strings.Contains(rest, "mistyped"):
			return "550 5.1.1 unknown"
		case verb == "RSET" && confused:
			confused = false
			return "503 5.5.1 bad sequence"
		}
		return ""
	})
	p := send(t, s, func(o *mail.Options) { o.To = []string{"mistyped@example.org", "keeper@example.org"} })
	delivertest.Send(t, p, raised(1))
	assert.Equal(t, []string{"keeper@example.org"}, s.wait(1)[0].to)
	p.empty()
	assert.Empty(t, p.refusals())
	assert.Equal(t, 1, s.count("RSET"), "on the second connection only the one receiver is left")
}

// TestTheEndDoesNotWaitForAServerThatIsSilent: neither before nor after the greeting.
func TestTheEndDoesNotWaitForAServerThatIsSilent(t *testing.T) {
	for _, verb := range []string{"GREETING", "MAIL"} {
		reached, leave := make(chan struct{}), make(chan struct{})
		s := serve(t)
		var once sync.Once
		s.script(func(v, _ string) string {
			if v == verb {
				once.Do(func() {
					close(reached)
					<-leave
				})
			}
			return ""
		})
		m, err := mail.New(mail.Options{
			Text: formatter(t), Server: s.addr, Roots: s.roots, From: "dewline@example.org", To: []string{"keeper@example.org"},
			Queue: memoryqueue.New(0, 0, 0),
		})
		require.NoError(t, err)
		delivertest.Send(t, m, raised(1))
		ctx, cancel := context.WithCancel(t.Context())
		var done sync.WaitGroup
		done.Go(func() { assert.NoError(t, m.Run(ctx)) })
		<-reached
		cancel()
		done.Wait() // a test that hangs here has found the fault
		close(leave)
	}
}

func TestWhatIsNoLetterIsGivenUp(t *testing.T) {
	s := serve(t)
	p := send(t, s)
	for k, body := range []string{"", "{", `{"subject":"x"}`, `[]`} {
		require.NoError(t, p.Add(deliver.Item{Event: fmt.Sprintf("bad-%d", k), Body: []byte(body)}))
	}
	p.empty()
	assert.Len(t, p.refusals(), 4)
	assert.Zero(t, s.count("MAIL"))
	_, err := p.OfEntry(&journal.Entry{Kind: journal.Note, Text: "hello"})
	require.ErrorContains(t, err, "is about no alarm")
}

func TestOptions(t *testing.T) {
	good := mail.Options{
		Server: "smtp.example.org:587", From: "dewline@example.org", To: []string{"keeper@example.org"}, Queue: memoryqueue.New(0, 0, 0),
		Text: formatter(t),
	}
	_, err := mail.New(good)
	require.NoError(t, err)
	for want, change := range map[string]func(*mail.Options){
		"a queue and a formatter are needed": func(o *mail.Options) { o.Queue = nil },
		"is not of the form":                 func(o *mail.Options) { o.Server = "smtp.example.org" },
		"is no port":                         func(o *mail.Options) { o.Server = "smtp.example.org:smtp" },
		"unknown security":                   func(o *mail.Options) { o.Security = "ssl" },
		"is not the address of a sender":     func(o *mail.Options) { o.From = "dewline" },
		"is not the address of a receiver":   func(o *mail.Options) { o.To = []string{"keeper@example.org", "a b"} },
		"a receiver is needed":               func(o *mail.Options) { o.To = nil },
		"a login needs a file":               func(o *mail.Options) { o.Username = "loft" },
	} {
		o := good
		change(&o)
		_, err := mail.New(o)
		assert.ErrorContains(t, err, want)
	}
}
