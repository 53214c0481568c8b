package daemon_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
	"dewline/internal/store"
	"dewline/internal/test/mosquitto"
)

// mailbox is a mail server on loopback without a login or TLS (RFC 5321), which keeps what it takes.
type mailbox struct {
	address string
	mu      sync.Mutex
	letters []string
}

func newMailbox(t *testing.T) *mailbox {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	m := &mailbox{address: listener.Addr().String()}
	var wait sync.WaitGroup
	wait.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			wait.Go(func() { m.session(conn) })
		}
	})
	t.Cleanup(func() { listener.Close(); wait.Wait() })
	return m
}

func (m *mailbox) session(conn net.Conn) {
	defer conn.Close()
	lines := bufio.NewScanner(conn)
	fmt.Fprint(conn, "220 mail.example ESMTP\r\n")
	for lines.Scan() {
		verb, _, _ := strings.Cut(strings.ToUpper(lines.Text()), " ")
		switch verb {
		case "EHLO", "HELO", "MAIL", "RCPT", "RSET", "NOOP":
			fmt.Fprint(conn, "250 fine\r\n")
		case "DATA":
			fmt.Fprint(conn, "354 go on\r\n")
			var letter strings.Builder
			for lines.Scan() && lines.Text() != "." {
				letter.WriteString(lines.Text() + "\n")
			}
			m.mu.Lock()
			m.letters = append(m.letters, letter.String())
			m.mu.Unlock()
			fmt.Fprint(conn, "250 taken\r\n")
		case "QUIT":
			fmt.Fprint(conn, "221 bye\r\n")
			return
		default:
			fmt.Fprint(conn, "502 no\r\n")
		}
	}
}

func (m *mailbox) all() string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return strings.Join(m.letters, "\n")
}

func (r *running) notifier(name string) control.NotifierStatus {
	notifiers, err := r.client.Notifiers(r.t.Context())
	require.NoError(r.t, err)
	for _, o := range notifiers {
		if o.Notifier == name {
			return o
		}
	}
	r.t.Fatalf("no notifier %s in %v", name, notifiers)
	return control.NotifierStatus{}
}

// A test goes through the same queues and senders as an alarm to a broker, a webhook and a mail server, and raises no alarm.
func TestAlarmTestReachesEveryNotifier(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	h, box := &hook{}, newMailbox(t)
	server := httptest.NewServer(h)
	defer server.Close()
	r := begin(t, 1, "../../testdata/sys/north-loft", plainSite+`
history: {path: "HISTORY"}
mqtt: {broker: "mqtt://`+broker.Address()+`"}
notify:
  - {via: webhook, format: cloudevent, url: "`+server.URL+`", priorities: [critical]}
  - {via: mail, server: "`+box.address+`", security: none, from: loft@mail.example, to: [keeper@mail.example], priorities: [low], after: 20m, quiet: "00:00-23:59"}
`)
	response := r.command(control.Request{Verb: control.TestVerb, By: "keeper"})
	require.True(t, response.Done, response.Reason)
	assert.Equal(t, []string{"mqtt", "webhook", "mail"}, response.Notifiers)
	for _, name := range response.Notifiers {
		r.wait(name+" has delivered it", func() bool {
			test := r.notifier(name).Test
			return test != nil && test.Event == response.Event && test.State == "delivered"
		})
		r.wait(name+" has the time of its last message", func() bool { return !r.notifier(name).LastSent.IsNone() })
	}
	assert.Equal(t, 1, h.count("dewline.outlet.test.v1 test"))
	assert.Equal(t, 0, h.count("dewline.alarm"))
	assert.Contains(t, box.all(), "TEST: ")
	assert.Contains(t, box.all(), "no alarm")
	alarms, err := r.client.Alarms(t.Context())
	require.NoError(t, err)
	for _, a := range alarms {
		assert.NotContains(t, a.Occurrence, "test")
	}

	only := r.command(control.Request{Verb: control.TestVerb, Notifier: "webhook", By: "keeper"})
	assert.Equal(t, []string{"webhook"}, only.Notifiers)
	r.wait("webhook has delivered it", func() bool {
		return r.notifier("webhook").Test.Event == only.Event && r.notifier("webhook").Test.State == "delivered"
	})
	assert.Equal(t, response.Event, r.notifier("mail").Test.Event)
	wrong := r.command(control.Request{Verb: control.TestVerb, Notifier: "pigeon", By: "keeper"})
	assert.False(t, wrong.Done)
	assert.Equal(t, `there is no notifier "pigeon": there are mqtt, webhook, mail`, wrong.Reason)
}

// A weekly test goes out at its hour, and once, even over a restart within the minutes in which it may be late. The journal has
// its delivery.
func TestWeeklyTestIsSentAndItsDeliveryRecorded(t *testing.T) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	h := &hook{}
	server := httptest.NewServer(h)
	defer server.Close()
	folder, start := t.TempDir(), time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC) // a Tuesday, 14:00 in Lisbon
	site := plainSite + `
history: {path: "HISTORY"}
mqtt: {broker: "mqtt://` + broker.Address() + `"}
notify:
  - {via: mqtt, test: "tuesday 14:01"}
  - {via: webhook, format: cloudevent, url: "` + server.URL + `", test: "tuesday 14:01"}
`
	taken := func() (notifiers []string, reasons []string) {
		db, err := store.Open(filepath.Join(folder, "history.db"), store.Options{ReadOnly: true})
		require.NoError(t, err)
		defer db.Close(t.Context())
		entries, err := db.Journal(t.Context(), store.Filter{Kinds: []journal.Kind{journal.NotifierTest, journal.TestTaken}})
		require.NoError(t, err)
		for _, e := range entries {
			if e.Kind == journal.NotifierTest {
				reasons = append(reasons, e.Reason+" by "+e.By)
			} else {
				notifiers = append(notifiers, e.Notifiers...)
			}
		}
		return notifiers, reasons
	}
	first := beginAt(t, folder, start, 30, "../../testdata/sys/north-loft", site)
	first.wait("it has arrived", func() bool { return h.count("dewline.outlet.test.v1 test") == 1 })
	first.wait("and that is on record", func() bool { notifiers, _ := taken(); return len(notifiers) == 2 })
	first.stop()
	second := beginAt(t, folder, start.Add(4*time.Minute), 30, "../../testdata/sys/north-loft", site)
	second.command(control.Request{Verb: control.TestVerb, Notifier: "webhook", By: "keeper"})
	second.wait("one by hand has arrived", func() bool { return h.count("dewline.outlet.test.v1 test") >= 2 })
	second.wait("and that is on record", func() bool { notifiers, _ := taken(); return len(notifiers) == 3 })
	second.stop()
	notifiers, reasons := taken()
	assert.ElementsMatch(t, []string{"mqtt", "webhook", "webhook"}, notifiers)
	assert.Equal(t, []string{" by keeper", "weekly by notify"}, reasons, "the newest first")
	assert.Equal(t, 2, h.count("dewline.outlet.test.v1 test"))
}

// moody is an HTTP server that answers with the status that the test sets.
type moody struct {
	hook
	status atomic.Int64
}

func (m *moody) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if s := int(m.status.Load()); s != 0 {
		_, _ = io.Copy(io.Discard, r.Body)
		w.WriteHeader(s)
		return
	}
	m.hook.ServeHTTP(w, r)
}

func TestATestThatIsNotTakenSaysWhy(t *testing.T) {
	m := &moody{}
	server := httptest.NewServer(m)
	defer server.Close()
	m.status.Store(http.StatusNotFound)
	r := begin(t, 1, "../../testdata/sys/north-loft", plainSite+`
notify: [{via: webhook, format: cloudevent, url: "`+server.URL+`"}]
`)
	response := r.command(control.Request{Verb: control.TestVerb, By: "keeper"})
	r.wait("it is given up", func() bool { return r.notifier("webhook").Test != nil && r.notifier("webhook").Test.State == "failed" })
	assert.Contains(t, r.notifier("webhook").Test.Reason, "404")
	assert.Equal(t, response.Event, r.notifier("webhook").Test.Event)
	r.wait("the notifier counts as failing", func() bool { return strings.Contains(r.notifier("webhook").Failure, "404") })

	m.status.Store(http.StatusServiceUnavailable)
	r.command(control.Request{Verb: control.TestVerb, By: "keeper"})
	r.wait("it is tried", func() bool { return strings.Contains(r.notifier("webhook").Failure, "503") })
	assert.Equal(t, "waiting", r.notifier("webhook").Test.State)
	m.status.Store(0)
	r.wait("it is delivered", func() bool { return r.notifier("webhook").Test.State == "delivered" })
	r.wait("and all is well", func() bool { return r.notifier("webhook").Failure == "" })
}

// A notifier that fails for longer than a person may take to act on its most urgent messages (30 minutes for critical) raises an
// alarm that goes out through the other one only, and that clears by itself.
func TestTheFailureOfANotifierGoesOutThroughTheOthers(t *testing.T) {
	const fault = "sensor/outlet-webhook-2/fault"
	m, other := &moody{}, &hook{}
	server, good := httptest.NewServer(m), httptest.NewServer(other)
	defer server.Close()
	defer good.Close()
	m.status.Store(http.StatusServiceUnavailable)
	r := begin(t, 300, "../../testdata/sys/north-loft", plainSite+`
history: {path: "HISTORY"}
notify:
  - {via: webhook, format: cloudevent, url: "`+good.URL+`"}
  - {via: webhook, format: cloudevent, url: "`+server.URL+`"}
`)
	r.command(control.Request{Verb: control.TestVerb, Notifier: "webhook-2", By: "keeper"})
	r.wait("it fails", func() bool { return r.notifier("webhook-2").Failure != "" })
	r.wait("it is an alarm", func() bool { return r.letter(fault) == "B" })
	a := r.alarm(fault)
	assert.GreaterOrEqual(t, a.Raised.Sub(a.Since).Minutes(), 30.0)
	assert.Contains(t, a.Reason, "503")
	r.wait("the other one tells it", func() bool { return other.count("dewline.alarm.raised.v1 "+fault) == 1 })
	assert.NotEmpty(t, r.metric(`dewline_outlet_failing_timestamp_seconds{outlet="webhook-2"}`))
	r.command(control.Request{Verb: watch.Acknowledge, Occurrence: a.Occurrence, By: "keeper"})
	m.status.Store(0)
	r.wait("it works again", func() bool { return r.letter(fault) == "A" })
	r.wait("which the other one tells", func() bool { return other.count("dewline.alarm.cleared.v1 "+fault) == 1 })
	assert.Equal(t, 0, m.count("dewline.alarm.raised.v1 "+fault), "a notifier does not send its own failure")
	assert.Empty(t, r.metric(`dewline_outlet_failing_timestamp_seconds{outlet="webhook-2"}`))
}

// Escalation over a restart: a notifier that has sent an alarm does not send it again, and sends its end. The alarm is critical, so
// that a machine that is too slow for a clock this fast, and makes a flood of stale points, changes nothing.
func TestEscalationSurvivesARestart(t *testing.T) {
	const tubCritical = "tub-1/water-temperature/critical-high"
	first, boss := &hook{}, &hook{}
	one, two := httptest.NewServer(first), httptest.NewServer(boss)
	defer one.Close()
	defer two.Close()
	tree := newProbeTree(t)
	tree.Show(28)
	text := plainSite + `
history: {path: "HISTORY"}
notify:
  - {via: webhook, format: cloudevent, url: "` + one.URL + `", priorities: [critical]}
  - {via: webhook, format: cloudevent, url: "` + two.URL + `", priorities: [critical], after: 5m}
`
	r := begin(t, 60, tree.root, text)
	r.wait("the alarm is sent", func() bool { return first.count("dewline.alarm.raised.v1 "+tubCritical) == 1 })
	assert.Equal(t, 0, boss.count("dewline"))
	r.wait("the alarm is escalated", func() bool { return boss.count("dewline.alarm.repeated.v1 "+tubCritical) == 1 })
	raised := r.alarm(tubCritical).Raised
	seconds, err := strconv.ParseFloat(r.metric("dewline_last_tick_timestamp_seconds"), 64)
	require.NoError(t, err)
	stopped := time.Unix(int64(seconds)+60, 0)
	r.stop()
	r = beginAt(t, r.folder, stopped, 60, tree.root, text)
	require.Equal(t, raised, r.alarm(tubCritical).Raised, "it is the same one")
	tree.Show(22)
	r.wait("both get its end", func() bool {
		return first.count("dewline.alarm.cleared.v1 "+tubCritical) == 1 && boss.count("dewline.alarm.cleared.v1 "+tubCritical) == 1
	})
	assert.Equal(t, 1, boss.count("dewline.alarm.repeated.v1 "+tubCritical))
	assert.Equal(t, 1, first.count("dewline.alarm.raised.v1 "+tubCritical))
	data, err := json.Marshal(r.notifier("webhook-2"))
	require.NoError(t, err)
	assert.Contains(t, string(data), `"failing_since":null`)
}

// Thousands of entries lie between an alarm and a power cut, and the alarm is due to be escalated during the cut: it is escalated
// after the start.
func TestEscalationIsNotForgottenUnderManyEntries(t *testing.T) {
	first, second := &hook{}, &hook{}
	one, two := httptest.NewServer(first), httptest.NewServer(second)
	defer one.Close()
	defer two.Close()
	tree := newProbeTree(t)
	tree.Show(28)
	text := plainSite + `
history: {path: "HISTORY"}
notify:
  - {via: webhook, format: cloudevent, url: "` + one.URL + `", priorities: [critical]}
  - {via: webhook, format: cloudevent, url: "` + two.URL + `", priorities: [critical], after: 20m}
`
	r := begin(t, 60, tree.root, text)
	r.wait("the alarm is sent", func() bool { return first.count("dewline.alarm.raised.v1 "+tubCritical) == 1 })
	raised := r.alarm(tubCritical).Raised
	r.stop()

	db, err := store.Open(filepath.Join(r.folder, "history.db"), store.Options{})
	require.NoError(t, err)
	newest, err := db.Journal(t.Context(), store.Filter{Limit: 1})
	require.NoError(t, err)
	var many []*journal.Entry
	for i := range 4000 { // of another alarm, which comes and goes
		kind, state, was := journal.AlarmRaised, isa.Unacknowledged, isa.Normal
		if i%2 == 1 {
			kind, state, was = journal.AlarmCleared, isa.Normal, isa.Unacknowledged
		}
		many = append(many, &journal.Entry{
			Seq: newest[0].Seq + 1 + uint64(i), Run: newest[0].Run, At: raised.Add(time.Duration(i+1) * 100 * time.Millisecond), Kind: kind,
			Alarm: "loft/air-temperature/low", Occurrence: "loft/air-temperature/low@" + strconv.Itoa(i/2), State: state, Was: was, Priority: "low",
		})
	}
	require.NoError(t, db.Record(t.Context(), many, nil, store.State{}))
	require.NoError(t, db.Close(t.Context()))

	r = beginAt(t, r.folder, raised.Time().Add(25*time.Minute), 60, tree.root, text)
	require.Equal(t, raised, r.alarm(tubCritical).Raised, "it is the same one")
	r.wait("the alarm is escalated", func() bool { return second.count("dewline.alarm.repeated.v1 "+tubCritical) == 1 })
	assert.Equal(t, 1, first.count("dewline.alarm.raised.v1 "+tubCritical), "and the keeper does not get it as if it were new")
}

// A push service refuses everything for a while: the alarm arrives once it accepts messages again, and in the meantime the alarm is
// escalated at once rather than after twenty minutes.
func TestARefusingPushServiceLosesNoAlarm(t *testing.T) {
	m, second := &moody{}, &pushService{}
	server, two := httptest.NewServer(m), httptest.NewServer(second)
	defer server.Close()
	defer two.Close()
	m.status.Store(http.StatusForbidden)
	tree := newProbeTree(t)
	tree.Show(28)
	r := begin(t, 10, tree.root, plainSite+`
history: {path: "HISTORY"}
notify:
  - {via: webhook, format: cloudevent, url: "`+server.URL+`", priorities: [high, critical]}
  - {via: webhook, url: "`+two.URL+`", title-header: Title, priorities: [high, critical], after: 20m}
`)
	r.wait("the alarm is escalated", func() bool { return len(second.with("CRITICAL (your other notifiers do not get through): ")) == 1 })
	r.wait("and that the first notifier does not work", func() bool {
		return len(second.with("ALARM (your other notifiers do not get through): The notifier webhook does not deliver")) == 1
	})
	a := r.alarm(tubCritical)
	assert.Less(t, r.alarm("sensor/outlet-webhook/fault").Raised.Sub(a.Raised), 5*time.Minute)
	assert.Equal(t, 0, m.count("dewline"))
	m.status.Store(0)
	r.wait("the alarm arrives", func() bool { return m.count("dewline.alarm.raised.v1 "+tubCritical) == 1 })
	r.wait("and the notifier is well again", func() bool { return r.notifier("webhook").Failure == "" })
}
