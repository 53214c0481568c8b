package daemon_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/config"
	"dewline/internal/core/watch"
	"dewline/internal/daemon"
	"dewline/internal/server/auth"
	"dewline/internal/server/control"
	"dewline/internal/test/mosquitto"
)

// vault plants secrets, and looks for them in everything that the daemon writes or serves.
type vault struct {
	t       *testing.T
	folder  string
	secrets map[string][]string // name → the forms in which it must not be found
}

// plant writes a file that holds a fresh secret between two texts, and returns the secret. The file is readable for others, which
// dewline check warns about.
func (v *vault) plant(name, before, after string) string {
	secret := "planted" + auth.NewToken()
	v.add(name, secret)
	v.file(name, before+secret+after+"\n")
	return secret
}

// add makes a text a secret, in clear and in the forms in which protocols carry it.
func (v *vault) add(name, secret string) {
	plain := base64.StdEncoding.EncodeToString([]byte("\x00keeper\x00" + secret))
	v.secrets[name] = []string{secret, base64.StdEncoding.EncodeToString([]byte(secret)), plain, fmt.Sprintf("%x", secret)}
}

func (v *vault) file(name, text string) {
	require.NoError(v.t, os.WriteFile(filepath.Join(v.folder, name), []byte(text), 0o644))
}

// absent looks for every secret in a text.
func (v *vault) absent(where, text string) {
	v.t.Helper()
	for name, forms := range v.secrets {
		for i, form := range forms {
			if at := strings.Index(text, form); at >= 0 {
				v.t.Errorf("%s tells the secret %s (form %d): …%s…", where, name, i, text[max(0, at-120):min(len(text), at+20)])
			}
		}
	}
}

// echo answers every request with an error that repeats all of it, as badly written services do, and copies it to got.
func echo(t *testing.T, got io.Writer) string {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprintln(got, r.RequestURI, r.Header)
		w.Header().Set("X-Echo", r.Header.Get("Authorization")+r.RequestURI)
		w.WriteHeader(http.StatusUnauthorized)
		_ = r.Write(w)
	}))
	t.Cleanup(server.Close)
	return server.URL
}

// echoMail is a mail server that refuses every log-in and repeats the credentials.
func echoMail(t *testing.T, got io.Writer) string {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var wait sync.WaitGroup
	wait.Go(func() {
		for {
			line, err := listener.Accept()
			if err != nil {
				return
			}
			wait.Go(func() {
				defer line.Close()
				_ = line.SetDeadline(time.Now().Add(30 * time.Second))
				fmt.Fprint(line, "220 mail.example ESMTP\r\n")
				for lines := bufio.NewScanner(line); lines.Scan(); {
					fmt.Fprintln(got, lines.Text())
					switch word, _, _ := strings.Cut(lines.Text(), " "); strings.ToUpper(word) {
					case "EHLO":
						fmt.Fprint(line, "250-mail.example\r\n250 AUTH PLAIN\r\n")
					case "QUIT":
						return
					default:
						fmt.Fprintf(line, "535 5.7.8 refused: %s\r\n", lines.Text())
					}
				}
			})
		}
	})
	t.Cleanup(func() { listener.Close(); wait.Wait() })
	return listener.Addr().String()
}

// closed is an address on which nothing listens.
func closed(t *testing.T) string {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer listener.Close()
	return listener.Addr().String()
}

// overheard collects the log and the console of the daemon.
type overheard struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (o *overheard) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.Write(p)
}

func (o *overheard) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.String()
}

const secretSite = `
site: north-loft
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room}
  - id: tub-1
    kind: enclosure
    in: loft
    bands: {water-temperature: {low: 20 °C, high: 24 °C, critical-high: 27 °C, on-delay: 1m, off-delay: 1m}}
sensors:
  - {id: tub-1-probe, driver: w1, address: 28-00000b3c5d1e, every: 10s, feeds: {temperature: tub-1/water-temperature}}
  - {id: feather, driver: mqtt, broker: "mqtt://REFUSING", username: keeper, password-file: feed, topic: t, unit: °C, feeds: {temperature: loft/air-temperature}}
history: {path: HISTORY}
mqtt: MQTT
web:
  listen: "127.0.0.1:0"
  users:
    - {name: ines, role: operator, password-hash-file: hash}
    - {name: scraper, role: viewer, token-file: token}
    - {name: broken-1, role: operator, password-hash-file: not-a-hash}
    - {name: broken-2, role: operator, password-hash-file: cut-hash}
    - {name: broken-3, role: operator, token-file: not-a-token}
KEYS
control: {socket: SOCKET}
notify:
  - {via: webhook, url-file: hook-url, token-file: hook-token, secret-file: hook-secret}
  - {via: webhook, url-file: closed-url, token-file: hook-token}
  - {via: webhook, url-file: bad-url, token-file: hook-token}
  - {via: mail, server: "MAIL", security: none, username: keeper, password-file: mail, from: loft@mail.example, to: [keeper@mail.example]}
heartbeat: {url-file: beat-url, every: 1m}
`

// Secrets are planted wherever the configuration can hold one, and everything fails at once: brokers, services and mail servers
// refuse and repeat what they received, files are broken, people mistype. No secret may appear in any output.
func TestPlantedSecretsAppearNowhere(t *testing.T) {
	refusing := mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"keeper": "another password altogether"}})
	for name, mqtt := range map[string]string{
		"a broker that refuses": `{broker: "mqtt://` + refusing.Address() + `", username: keeper, password-file: broker, commands: true}`,
		"the embedded broker":   `{embedded: {listen: "127.0.0.1:0", users: [{name: keeper, password-file: embedded, read: ["#"]}, {name: lamp, password-file: embedded-2, read: ["#"]}]}}`,
	} {
		t.Run(name, func(t *testing.T) {
			v := &vault{t, t.TempDir(), map[string][]string{}}
			got := &overheard{}
			services, letters := echo(t, got), echoMail(t, got)
			for _, plain := range []string{"broker", "feed", "mail", "hook-token", "hook-secret", "embedded-2", "not-a-hash", "key"} {
				v.plant(plain, "", "")
			}
			embedded := v.plant("embedded", "", "")
			token := v.plant("token", "", "")
			v.plant("hook-url", services+"/hook/", "?key=1")
			v.plant("closed-url", "http://"+closed(t)+"/hook/", "")
			v.plant("bad-url", "http://[half an address/", "")
			v.plant("beat-url", services+"/beat/", "")
			v.plant("not-a-token", "two words ", "")
			v.plant("cut-hash", "$argon2id$v=19$m=19456,t=2,p=1$", "")
			const password = "planted fern and fog"
			v.add("password", password)
			hash, err := auth.NewHash(password)
			require.NoError(t, err)
			v.secrets["hash"] = []string{hash.String(), hash.String()[len(hash.String())-43:]}
			v.file("hash", hash.String()+"\n")
			v.file("certificate", "no certificate")

			path := filepath.Join(v.folder, "site.yaml")
			write := func(keys string) {
				text := strings.NewReplacer("REFUSING", refusing.Address(), "HISTORY", "history.db", "MQTT", mqtt, "KEYS", keys, "SOCKET", "control.sock", "MAIL", letters).Replace(secretSite)
				require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
			}
			write("")
			site, problems := config.Load(path)
			require.NoError(t, problems.Err())
			assert.Len(t, problems.Only(config.Warning), strings.Count(problems.String(), "is open to every user")+strings.Count(problems.String(), "unencrypted"))
			v.absent("check", problems.String())
			v.absent("the model", fmt.Sprintf("%+v", site))

			tree := newProbeTree(t)
			tree.Show(25)
			output := &overheard{}
			reload, ready, ended := make(chan struct{}, 1), make(chan daemon.Addresses, 1), make(chan error, 1)
			ctx, cancel := context.WithCancel(t.Context())
			go func() {
				ended <- daemon.Run(ctx, daemon.Options{
					Config: path, Log: slog.New(slog.NewTextHandler(output, &slog.HandlerOptions{Level: slog.LevelDebug})), Console: output, Sys: tree.root, Root: v.folder,
					Version: "test", Reload: reload, Clock: daemon.FastClock(time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC), 60), Ready: func(a daemon.Addresses) { ready <- a },
				})
			}()
			at := <-ready
			require.NotEmpty(t, at.Web)
			heard := &listener{}
			if at.Broker != "" {
				host, portNumber, err := net.SplitHostPort(at.Broker)
				require.NoError(t, err)
				var number int
				_, err = fmt.Sscan(portNumber, &number)
				require.NoError(t, err)
				heard = listen(t, &mosquitto.Broker{Host: host, Port: number}, []string{"-u", "keeper", "-P", embedded}, "#")
			}

			// What people see, as the program that may look: pages, JSON, metrics.
			ask := func(method, address, head, body string) (int, string, http.Header) {
				request, err := http.NewRequestWithContext(t.Context(), method, "http://"+at.Web+address, strings.NewReader(body))
				require.NoError(t, err)
				for line := range strings.SplitSeq(head, "\n") {
					if name, value, ok := strings.Cut(line, ": "); ok {
						request.Header.Set(name, value)
					}
				}
				response, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(request)
				require.NoError(t, err)
				defer response.Body.Close()
				data, err := io.ReadAll(response.Body)
				require.NoError(t, err)
				return response.StatusCode, string(data), response.Header
			}
			const form = "Content-Type: application/x-www-form-urlencoded"
			for _, wrong := range []url.Values{
				{"name": {"ines"}, "password": {password + "x"}}, {"name": {password}, "password": {""}}, {"name": {"broken-1"}, "password": {password}},
			} {
				code, body, _ := ask("POST", "/login", form, wrong.Encode())
				require.Equal(t, http.StatusForbidden, code)
				if wrong.Get("name") != password { // the form shows again what was typed as the name
					v.absent("the form", body)
				}
			}
			code, _, head := ask("POST", "/login", form, url.Values{"name": {"ines"}, "password": {password}}.Encode())
			require.Equal(t, http.StatusSeeOther, code)
			cookie, _, _ := strings.Cut(head.Get("Set-Cookie"), ";")
			_, session, _ := strings.Cut(cookie, "=")
			require.Len(t, session, 43)
			v.secrets["session"] = []string{session}
			for _, attempt := range [][3]string{
				{"Authorization: Bearer " + token[1:], "GET", "/api/now"}, {"Authorization: Bearer " + token, "POST", "/api/command"}, {"Cookie: " + cookie[:len(cookie)-1], "GET", "/"},
				{"Cookie: " + cookie, "POST", "/api/command"},
			} {
				_, body, _ := ask(attempt[1], attempt[2], attempt[0]+"\nContent-Type: application/json", `{"verb":"acknowledge","alarm":"no/such/alarm"}`)
				v.absent(attempt[2], body)
			}
			bearer := "Authorization: Bearer " + token
			client := control.Dial(at.Socket)
			_, err = client.Command(t.Context(), control.Request{Verb: watch.WriteNote, Text: "a note (invented)"})
			require.NoError(t, err)

			// Everything has gone wrong by now.
			errorsOf := func() map[string]string {
				_, body, _ := ask("GET", "/api/now", bearer, "")
				var now struct {
					Outlets []struct {
						Name      string
						LastError string `json:"last_error"`
					}
				}
				require.NoError(t, json.Unmarshal([]byte(body), &now))
				found := map[string]string{}
				for _, o := range now.Outlets {
					found[o.Name] = o.LastError
				}
				return found
			}
			require.Eventually(t, func() bool {
				found := errorsOf()
				for _, name := range []string{"webhook-2", "webhook-3", "mail"} {
					if found[name] == "" {
						return false
					}
				}
				if at.Broker == "" && found["mqtt"] == "" || at.Broker != "" && len(heard.heard("dewline/north-loft/events", "dewline.alarm.raised.v1")) == 0 {
					return false
				}
				log := output.String()
				return strings.Contains(log, "the heartbeat does not arrive") && strings.Contains(log, "could not be delivered, trying again") && strings.Contains(log, "a log-in was refused") && strings.Contains(log, "user broken-3 cannot log in")
			}, 90*time.Second, 100*time.Millisecond, "errors: %v\n%s", errorsOf(), output)

			// The secrets were in use: the services for which they are meant have received them.
			for name, form := range map[string]int{"hook-url": 0, "hook-token": 0, "beat-url": 0, "mail": 2} {
				assert.Contains(t, got.String(), v.secrets[name][form], name)
			}
			assert.Contains(t, got.String(), "Dewline-Signature:[time=")

			span := "from=2026-07-14T12:00:00Z&to=2026-07-15T12:00:00Z"
			for _, address := range []string{
				"/", "/trend", "/alarms", "/sensors", "/login", "/metrics", "/health", "/api/now", "/api/journal?limit=500", "/api/openapi.json", "/api/marks?" + span,
				"/api/trend?point=tub-1/water-temperature&" + span, "/api/exposure?point=tub-1/water-temperature&" + span, "/api/readings.csv?point=tub-1/water-temperature&" + span,
			} {
				code, body, head := ask("GET", address, bearer, "")
				require.Equal(t, http.StatusOK, code, address)
				v.absent(address, body+fmt.Sprint(head))
			}
			alarms, err := client.Alarms(t.Context())
			require.NoError(t, err)
			require.NotEmpty(t, alarms)
			v.absent("the control socket", fmt.Sprintf("%+v", alarms))

			// A new configuration with a key file that holds no key: the pages end, the log says why, and watching goes on.
			write("  certificate-file: certificate\n  key-file: key")
			reload <- struct{}{}
			require.Eventually(t, func() bool { return strings.Contains(output.String(), "a local server is missing") }, 60*time.Second, 50*time.Millisecond)
			alarms, err = client.Alarms(t.Context())
			require.NoError(t, err)
			require.NotEmpty(t, alarms)

			cancel()
			require.NoError(t, <-ended)
			v.absent("the log", output.String())
			heard.mu.Lock()
			v.absent("MQTT", strings.Join(heard.lines, "\n"))
			heard.mu.Unlock()
			kept, err := filepath.Glob(filepath.Join(v.folder, "history.db*"))
			require.NoError(t, err)
			require.NotEmpty(t, kept)
			for _, file := range kept {
				data, err := os.ReadFile(file)
				require.NoError(t, err)
				v.absent(filepath.Base(file), string(data))
			}
		})
	}
}

// Users are read again while the daemon runs, and whatever else has changed about the pages is put in force as well.
func TestUsersChangeWithTheConfiguration(t *testing.T) {
	folder := t.TempDir()
	keep := func(name, password string) {
		hash, err := auth.NewHash(password)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(folder, name), []byte(hash.String()), 0o600))
	}
	keep("ines", "fern and fog")
	r := beginAt(t, folder, time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC), 1, filepath.Join(folder, "no-such-tree"), plainSite)
	look := func(cookie string) int {
		request, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+r.at.Web+"/api/now", nil)
		require.NoError(t, err)
		request.Header.Set("Cookie", cookie)
		response, err := http.DefaultClient.Do(request)
		if err != nil { // the server is being reopened
			return 0
		}
		response.Body.Close()
		return response.StatusCode
	}
	logIn := func(password string) string {
		client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		response, err := client.PostForm("http://"+r.at.Web+"/login", url.Values{"name": {"ines"}, "password": {password}})
		require.NoError(t, err)
		response.Body.Close()
		cookie, _, _ := strings.Cut(response.Header.Get("Set-Cookie"), ";")
		return cookie
	}
	change := func(web string, want int, cookie string) {
		r.write(strings.Replace(plainSite, `web: {listen: "127.0.0.1:0"}`, web, 1))
		r.reload <- struct{}{}
		r.wait(web, func() bool { return look(cookie) == want })
	}
	assert.Equal(t, 200, look(""), "no users, no log-in")
	const withInes = `web: {listen: "127.0.0.1:0", users: [{name: ines, role: operator, password-hash-file: ines}]}`
	change(withInes, 401, "")
	cookie := logIn("fern and fog")
	assert.Equal(t, 200, look(cookie))
	r.reload <- struct{}{}
	r.wait("it is read again", func() bool { return len(r.reload) == 0 })
	r.command(control.Request{Verb: watch.WriteNote, Text: "after the reload"}) // the loop has handled the reload
	assert.Equal(t, 200, look(cookie), "nothing has changed for Ines")
	keep("ines", "another password")
	change(withInes, 401, cookie)
	assert.Empty(t, logIn("fern and fog"))
	cookie = logIn("another password")
	assert.Equal(t, 200, look(cookie))
	change(`web: {listen: "127.0.0.1:0"}`, 200, "")
}
