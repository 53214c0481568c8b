package network

import (
	"bufio"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/test/fakebroker"
	"dewline/internal/test/harness"
)

// The broker is away for three days, which a fast clock brings about, while the tub is too warm again and again. It comes back
// with nothing remembered.
func TestBrokerAwayForThreeDays(t *testing.T) {
	t.Parallel()
	pace := 21600.0
	if os.Getenv("DEWLINE_FAULTS") == "long" {
		pace = 1800
	}
	first, second := startBroker(t), startBroker(t)
	way := newGate(t, first.Address())
	hook := harness.NewHook(t)
	h := harness.New(t, harness.Options{Start: begin, Pace: pace, Site: site + fmt.Sprintf(`
mqtt: {broker: "mqtt://%s", username: dewline, password-file: FOLDER/password}
notify: [{via: webhook, format: cloudevent, url: "%s"}]
`, way.addr, hook.URL)})
	require.NoError(t, os.WriteFile(filepath.Join(h.Folder, "password"), []byte("right\n"), 0o600))
	early := harness.Listen(t, first.Address())
	late := harness.Listen(t, second.Address())
	h.Probe(1).Show(22)
	p := h.Start()
	h.Wait("the way is open", func() bool { return notifier(h, "mqtt").Connected })
	swing(h)
	h.Wait("the first alarm is reported", func() bool { return early.Letter(heat) == "D" && notifier(h, "mqtt").Pending == 0 })

	way.set(shut)
	way.target = second.Address()
	away := h.Now()
	logged := len(p.Log())
	swings := 0
	for h.Now().Before(away.Add(72 * time.Hour)) {
		swing(h)
		swings++
	}
	waiting := h.Number(pending("mqtt"))
	assert.GreaterOrEqual(t, waiting, float64(2*swings), "every transition waits")
	oldest := h.Number(`dewline_outbox_oldest_timestamp_seconds{outlet="mqtt"}`)
	assert.InDelta(t, away.Unix(), oldest, (24 * time.Hour).Seconds(), "the oldest is of the beginning")
	state := notifier(h, "mqtt")
	assert.False(t, state.Connected)
	assert.Contains(t, state.LastError, "connection refused")
	waitHealth(h, "notifier mqtt: ", "connection refused")
	lines := strings.Count(p.Log()[logged:], "no connection to the broker")
	assert.LessOrEqual(t, lines, 2, "a line for each reason, not for each attempt")
	assert.Zero(t, h.Number(pending("webhook")), "the other notifiers do not wait for the broker")
	assert.GreaterOrEqual(t, len(hook.Taken()), 2*swings)

	way.set(open)
	h.Wait("everything has arrived", func() bool { return notifier(h, "mqtt").Connected && h.Number(pending("mqtt")) == 0 })
	h.Wait("the retained topics are there again", func() bool {
		return late.Letter(heat) != "" && late.Letter(heat) == h.Letter(heat) &&
			strings.Contains(late.Last("status"), "online") && late.Last("points/tub-1/water-temperature") != ""
	})
	require.NoError(t, p.Stop())
	entries := h.Journal(t)
	assertArrived(t, entries, append(early.Heard(), late.Heard()...))
	t.Logf("%d transitions in three days, %.0f waiting, %d lines", transitions(entries), waiting, lines)
}

// What is wrong with a broker or the way to it, what the keeper reads, and that nothing is lost by it.
func TestBrokerFaults(t *testing.T) {
	certificates := newAuthority(t)
	valid := time.Now().Add(24 * time.Hour)
	expired := time.Now().Add(-24 * time.Hour)
	silence := func(acknowledge bool) func(net.Conn) {
		return (&fakebroker.Broker{Acknowledge: func(fakebroker.Publish) bool { return acknowledge }}).Serve
	}
	for name, c := range map[string]struct {
		secure  bool
		disturb func(t *testing.T, g *gate, h *harness.House)
		repair  func(t *testing.T, g *gate, h *harness.House)
		says    []string // in the state of the notifier
		most    int64    // attempts to connect that the waiting times allow for
	}{
		"down": {
			disturb: func(_ *testing.T, g *gate, _ *harness.House) { g.set(shut) },
			says:    []string{"connection refused"},
		},
		"flapping every second": {
			disturb: func(_ *testing.T, g *gate, _ *harness.House) { g.set(flap) },
			says:    []string{},
			most:    8,
		},
		"connects and never acknowledges": {
			disturb: func(_ *testing.T, g *gate, _ *harness.House) {
				g.serve = silence(false)
				g.set(instead)
			},
			says: []string{"no acknowledgement within 20s"},
			most: 6,
		},
		"takes connections and says nothing": {
			disturb: func(_ *testing.T, g *gate, _ *harness.House) { g.set(deaf) },
			says:    []string{"mqtt: connecting"},
			most:    5,
		},
		"half-open": {
			disturb: func(_ *testing.T, g *gate, _ *harness.House) { g.set(stalled) },
			says:    []string{"mqtt: "},
			most:    5,
		},
		"certificate expired": {
			secure: true,
			disturb: func(t *testing.T, g *gate, _ *harness.House) {
				g.present(certificates.server(t, "localhost", expired))
			},
			repair: func(t *testing.T, g *gate, _ *harness.House) { g.present(certificates.server(t, "localhost", valid)) },
			says:   []string{`the certificate of "invented broker" has expired on ` + expired.UTC().Format(time.DateTime), "put a new one on the broker"},
			most:   8,
		},
		"certificate of another": {
			secure: true,
			disturb: func(t *testing.T, g *gate, _ *harness.House) {
				g.present(certificates.server(t, "broker.example", valid))
			},
			repair: func(t *testing.T, g *gate, _ *harness.House) { g.present(certificates.server(t, "localhost", valid)) },
			says:   []string{"broker.example, not localhost", "write a name into the broker's address"},
			most:   8,
		},
		"password wrong": {
			disturb: func(t *testing.T, g *gate, h *harness.House) {
				require.NoError(t, os.WriteFile(filepath.Join(h.Folder, "password"), []byte("wrong-secret\n"), 0o600))
				g.set(shut)
				g.set(open)
			},
			repair: func(t *testing.T, g *gate, h *harness.House) {
				require.NoError(t, os.WriteFile(filepath.Join(h.Folder, "password"), []byte("right\n"), 0o600))
			},
			says: []string{`does not accept user "dewline"`, "/password"},
			most: 8,
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			broker := startBroker(t)
			phone := harness.Listen(t, broker.Address())
			way := newGate(t, broker.Address())
			hook := harness.NewHook(t)
			address, authority := "mqtt://"+way.addr, ""
			if c.secure {
				way.tls = certificates.server(t, "localhost", valid)
				_, port, err := net.SplitHostPort(way.addr)
				require.NoError(t, err)
				address, authority = "mqtts://localhost:"+port, ", ca-file: "+certificates.file
			}
			h := harness.New(t, harness.Options{Start: begin, Pace: 3000, Site: site + fmt.Sprintf(`
mqtt: {broker: "%s", username: dewline, password-file: FOLDER/password%s}
notify: [{via: webhook, format: cloudevent, url: "%s"}]
`, address, authority, hook.URL)})
			require.NoError(t, os.WriteFile(filepath.Join(h.Folder, "password"), []byte("right\n"), 0o600))
			h.Probe(1).Show(22)
			p := h.Start()
			h.Wait("the way is open", func() bool { return notifier(h, "mqtt").Connected })
			swing(h)
			h.Wait("the first alarm is reported", func() bool { return phone.Letter(heat) == "D" })

			logged, tried, since := len(p.Log()), way.attempts.Load(), time.Now()
			before := len(hook.Taken())
			c.disturb(t, way, h)
			swing(h)
			h.Wait("others are reported all the same", func() bool { return len(hook.Taken()) >= before+2 })
			h.Wait("the fault is reported", func() bool {
				state := notifier(h, "mqtt").LastError
				for _, text := range c.says {
					if !strings.Contains(state, text) {
						return false
					}
				}
				return state != "" || len(c.says) == 0
			})
			if name != "flapping every second" { // which is well in between
				waitHealth(h, "notifier mqtt: ")
			}
			swing(h)
			// Waiting times double from a second, of which half is chance, so that n attempts take at least 2ⁿ⁻²−½ seconds; the clock says
			// how many there can have been.
			if c.most > 0 {
				allowed := int64(2)
				for wait := 500 * time.Millisecond; wait < time.Since(since); wait = 2*wait + 500*time.Millisecond {
					allowed++
				}
				assert.LessOrEqual(t, way.attempts.Load()-tried, max(allowed, 2))
			}
			assert.LessOrEqual(t, strings.Count(p.Log()[logged:], "broker"), 12, "a line for each reason, not for each attempt")
			assert.NotContains(t, p.Log(), "wrong-secret")

			if c.repair != nil {
				c.repair(t, way, h)
			} else {
				way.set(open)
			}
			h.Wait("everything has arrived", func() bool { return notifier(h, "mqtt").Connected && h.Number(pending("mqtt")) == 0 })
			h.Wait("the retained alarm is the one that is", func() bool { return phone.Letter(heat) == h.Letter(heat) })
			require.NoError(t, p.Stop())
			assertArrived(t, h.Journal(t), phone.Heard())
		})
	}
}

// A webhook and a mail server that are ill for a day lose nothing, and delay nothing else: not the broker, not each other.
func TestNotifierFaults(t *testing.T) {
	refuse := func(g *gate, _ *harness.Hook) { g.set(shut) }
	hang := func(g *gate, _ *harness.Hook) { g.set(deaf) }
	for name, disturb := range map[string]func(*gate, *harness.Hook){
		"refuses": refuse,
		"hangs":   hang,
		"answers 500": func(_ *gate, k *harness.Hook) {
			k.Answer(500)
		},
		"answers 429": func(_ *gate, k *harness.Hook) {
			k.Answer(429)
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			broker := startBroker(t)
			phone := harness.Listen(t, broker.Address())
			ill, well := harness.NewHook(t), harness.NewHook(t)
			post := newPost(t)
			way, mailWay := newGate(t, ill.Address()), newGate(t, post.Addr().String())
			h := harness.New(t, harness.Options{Start: begin, Pace: 14400, Site: site + fmt.Sprintf(`
mqtt: {broker: "mqtt://%s", username: dewline, password-file: FOLDER/password}
notify:
  - {via: webhook, format: cloudevent, url: "http://%s"}
  - {via: webhook, format: cloudevent, url: "%s"}
  - {via: mail, server: "%s", security: none, from: loft@example.org, to: [keeper@example.org], style: every}
`, broker.Address(), way.addr, well.URL, mailWay.addr)})
			require.NoError(t, os.WriteFile(filepath.Join(h.Folder, "password"), []byte("right\n"), 0o600))
			h.Probe(1).Show(22)
			p := h.Start()
			h.Wait("the way is open", func() bool { return notifier(h, "mqtt").Connected })
			swing(h)
			h.Wait("the first alarm is reported", func() bool { return len(ill.About(heat)) >= 2 && len(post.taken()) >= 2 })

			disturb(way, ill)
			if name == "hangs" {
				hang(mailWay, nil)
			} else {
				refuse(mailWay, nil)
			}
			logged, began := len(p.Log()), h.Now()
			for h.Now().Before(began.Add(24 * time.Hour)) {
				swing(h)
			}
			healthy := func() bool { return len(well.Taken()) >= 10 && h.Number(pending("mqtt")) == 0 }
			h.Wait("the others have been reported", healthy)
			h.Wait("the ill ones are known to be ill", func() bool {
				return notifier(h, "webhook").LastError != "" && notifier(h, "mail").LastError != ""
			})
			assert.GreaterOrEqual(t, h.Number(pending("webhook")), 8.0)
			assert.GreaterOrEqual(t, h.Number(pending("mail")), 8.0)
			waitHealth(h, "notifier webhook: ", "notifier mail: ")
			assert.LessOrEqual(t, strings.Count(p.Log()[logged:], "could not be delivered"), 6)

			ill.Answer(0)
			way.set(open)
			mailWay.set(open)
			h.Wait("nothing waits any more", func() bool { return h.Number(pending("webhook")) == 0 && h.Number(pending("mail")) == 0 })
			assert.Equal(t, well.About(heat), slices.Compact(ill.About(heat)), "the same, in the same order; what was not answered came again")
			// The failure of a notifier is not sent through that notifier.
			assert.Positive(t, len(well.About("sensor/outlet-mail/fault")))
			h.Wait("mail has sent all but its own failure", func() bool {
				before := distinct(well.Taken()) - distinct(well.About("sensor/outlet-mail/fault")) + distinct(ill.About("sensor/outlet-webhook-2/fault"))
				return before == distinct(post.taken())
			})
			h.Wait("the broker has everything", func() bool { return h.Number(pending("mqtt")) == 0 })
			require.NoError(t, p.Stop())
			assertArrived(t, h.Journal(t), phone.Heard())
		})
	}
}

// distinct counts what has come, each once: what was not answered in time comes again.
func distinct(ids []string) int {
	slices.Sort(ids)
	return len(slices.Compact(ids))
}

// post is a mail server that takes everything (RFC 5321), in clear.
type post struct {
	net.Listener
	mu  sync.Mutex
	ids []string // Message-ID of each
}

func newPost(t *testing.T) *post {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s := &post{Listener: listener}
	t.Cleanup(func() { _ = listener.Close() })
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			go s.session(conn)
		}
	}()
	return s
}

func (s *post) session(conn net.Conn) {
	defer conn.Close()
	say := func(line string) { _, _ = fmt.Fprintf(conn, "%s\r\n", line) }
	say("220 post.example")
	lines := bufio.NewScanner(conn)
	data, id := false, ""
	for lines.Scan() {
		line := lines.Text()
		verb, _, _ := strings.Cut(strings.ToUpper(line), " ")
		switch {
		case data && line == ".":
			data = false
			s.mu.Lock()
			s.ids = append(s.ids, id)
			s.mu.Unlock()
			say("250 taken")
		case data:
			if text, ok := strings.CutPrefix(line, "Message-ID: "); ok {
				id = text
			}
		case verb == "DATA":
			data = true
			say("354 go on")
		case verb == "QUIT":
			say("221 bye")
			return
		default:
			say("250 post.example")
		}
	}
}

func (s *post) taken() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.ids)
}
