package web_test

import (
	"bytes"
	"compress/gzip"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/server/auth"
	"dewline/internal/server/control"
	"dewline/internal/server/web"
)

// The secrets of the invented users: Ines, an operator, Tomas, a viewer, and two programs.
const (
	inesPassword  = "fern and fog"
	tomasPassword = "leaf litter."
	scraperToken  = "0123456789abcdef0123456789abcdef"
	robotToken    = "abcdef0123456789abcdef0123456789"
)

var theUsers = sync.OnceValues(func() ([]auth.User, error) {
	ines, err := auth.NewHash(inesPassword)
	if err != nil {
		return nil, err
	}
	tomas, err := auth.NewHash(tomasPassword)
	if err != nil {
		return nil, err
	}
	scraper, err := auth.ParseToken(scraperToken)
	if err != nil {
		return nil, err
	}
	robot, err := auth.ParseToken(robotToken)
	return []auth.User{
		{Name: "Ines", Role: auth.Operator, Hash: ines}, {Name: "tomas", Role: auth.Viewer, Hash: tomas},
		{Name: "scraper", Role: auth.Viewer, Token: scraper}, {Name: "robot", Role: auth.Operator, Token: robot},
	}, err
})

// locked are the options of a site with users.
func locked(t testing.TB, r *rig) web.Options {
	users, err := theUsers()
	require.NoError(t, err)
	o := r.options(t)
	o.Access = auth.New(auth.Options{})
	o.Access.SetUsers(users, true)
	return o
}

// caller is a browser without scripts, or a program.
type caller struct {
	testing.TB
	http http.Client
	site string
	head http.Header
}

func newCaller(t testing.TB, site string) *caller {
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	return &caller{TB: t, site: site, head: http.Header{}, http: http.Client{
		Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}}
}

func (c *caller) do(method, path, contentType, body string) (*http.Response, string) {
	c.Helper()
	request, err := http.NewRequestWithContext(c.Context(), method, c.site+path, strings.NewReader(body))
	require.NoError(c, err)
	request.Header = c.head.Clone()
	if host := c.head.Get("Host"); host != "" {
		request.Host = host
	}
	if contentType != "" {
		request.Header.Set("Content-Type", contentType)
	}
	response, err := c.http.Do(request)
	require.NoError(c, err)
	defer response.Body.Close()
	data, err := io.ReadAll(response.Body)
	require.NoError(c, err)
	return response, string(data)
}

func (c *caller) get(path string) (*http.Response, string) {
	c.Helper()
	return c.do("GET", path, "", "")
}

func (c *caller) logIn(name, password, next string) (*http.Response, string) {
	c.Helper()
	form := url.Values{"name": {name}, "password": {password}, "next": {next}}
	return c.do("POST", "/login", "application/x-www-form-urlencoded", form.Encode())
}

func (c *caller) command(body string) (int, control.Response) {
	c.Helper()
	response, data := c.do("POST", "/api/command", "application/json", body)
	var answer control.Response
	require.NoError(c, json.Unmarshal([]byte(data), &answer), data)
	return response.StatusCode, answer
}

// ways lists every route of a server with users, with the answer to a request without a log-in.
var ways = []struct {
	method, path string
	status       int
	location     string
}{
	{"GET", "/", 303, "/login"},
	{"HEAD", "/", 303, "/login"},
	{"GET", "/trend?p=tub-1/water-temperature&span=1w", 303, "/login?next=%2Ftrend%3Fp%3Dtub-1%2Fwater-temperature%26span%3D1w"},
	{"GET", "/alarms", 303, "/login?next=%2Falarms"},
	{"GET", "/sensors", 303, "/login?next=%2Fsensors"},
	{"GET", "/metrics", 401, ""},
	{"GET", "/api/now", 401, ""},
	{"GET", "/api/live", 401, ""},
	{"GET", "/api/trend?point=tub-1/water-temperature", 401, ""},
	{"GET", "/api/marks", 401, ""},
	{"GET", "/api/exposure", 401, ""},
	{"GET", "/api/journal", 401, ""},
	{"GET", "/api/readings.csv", 401, ""},
	{"GET", "/api/openapi.json", 401, ""},
	{"POST", "/api/command", 401, ""},
	{"GET", "/api/no-such-thing", 401, ""},
	{"GET", "/no-such-page", 401, ""},
	{"POST", "/", 401, ""},
	{"GET", "/health", 200, ""},
	{"GET", "/login", 200, ""},
	{"GET", "/logout", 405, ""},
	{"POST", "/logout", 303, "/login"},
}

func TestNothingIsShownBeforeTheLogIn(t *testing.T) {
	r := newRig(t)
	o := locked(t, r)
	o.Healthy = func() error { return errors.New("the probe of tub-7 is silent") }
	site := r.serve(t, o)
	before := len(r.journal)
	for _, token := range []string{"", "Bearer nonsense", "Bearer ", "Basic aW5lczpmZXJuIGFuZCBmb2c="} {
		for _, way := range ways {
			c := newCaller(t, site)
			if token != "" {
				c.head.Set("Authorization", token)
			}
			response, body := c.do(way.method, way.path, "application/json", `{"verb":"note","text":"x","by":"Ines"}`)
			if way.path == "/health" {
				assert.Equal(t, 503, response.StatusCode)
				assert.Equal(t, "not watching: log in to see why\n", body)
				continue
			}
			assert.Equal(t, way.status, response.StatusCode, way.path)
			assert.Equal(t, way.location, response.Header.Get("Location"), way.path)
			for _, private := range []string{"tub-3", "loft/", "°F", "a-2026", "Ines", "tomas", "scraper"} {
				assert.NotContains(t, body, private, way.path)
			}
			if way.status == 401 {
				assert.Equal(t, `Bearer realm="dewline"`, response.Header.Get("WWW-Authenticate"))
			}
			assert.Contains(t, response.Header.Get("Content-Security-Policy"), "default-src 'none'")
		}
	}
	assert.Len(t, r.journal, before)

	// Of the built files only the style is given away; it is what the log-in page looks like.
	_, page := newCaller(t, site).get("/login")
	assert.Equal(t, 1, strings.Count(page, `href="/assets/style-`))
	assert.NotContains(t, page, "<script")
	for _, entry := range built(t, o) {
		response, _ := newCaller(t, site).get("/assets/" + entry)
		want := http.StatusUnauthorized
		if strings.HasPrefix(entry, "style-") {
			want = http.StatusOK
			assert.Contains(t, response.Header.Get("Cache-Control"), "private")
		}
		assert.Equal(t, want, response.StatusCode, entry)
	}
}

// The licences of what the bundles contain go with them, and a link in the footer leads there.
func TestLicencesOfThePagesAreServed(t *testing.T) {
	r := newRig(t)
	o := r.options(t)
	o.Pages = fstest.MapFS{
		web.ManifestName:   {Data: []byte(`{"pages": {"now": ["n.js"], "today": ["n.js"], "trend": ["n.js"], "alarms": ["n.js"], "sensors": ["n.js"], "wall": ["n.js"], "humidity": ["n.js"], "year": ["n.js"], "try": ["n.js"]}, "notice": "notice-0a.txt"}`)},
		"n.js.gz":          {Data: packed("1")},
		"notice-0a.txt.gz": {Data: packed("The licence of a package\n")},
	}
	site := r.serve(t, o)
	_, page := newCaller(t, site).get("/")
	assert.Contains(t, page, `href="/assets/notice-0a.txt"`)
	response, notice := newCaller(t, site).get("/assets/notice-0a.txt")
	assert.Equal(t, "text/plain; charset=utf-8", response.Header.Get("Content-Type"))
	assert.Equal(t, "The licence of a package\n", notice)
	for encoding, want := range map[string][]byte{"gzip": packed("The licence of a package\n"), "identity": []byte("The licence of a package\n")} {
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, site+"/assets/notice-0a.txt", nil)
		require.NoError(t, err)
		request.Header.Set("Accept-Encoding", encoding)
		response, err := http.DefaultTransport.RoundTrip(request)
		require.NoError(t, err)
		body, err := io.ReadAll(response.Body)
		require.NoError(t, err)
		require.NoError(t, response.Body.Close())
		assert.Equal(t, want, body, encoding)
		assert.Equal(t, encoding == "gzip", response.Header.Get("Content-Encoding") == "gzip")
		assert.Equal(t, int64(len(want)), response.ContentLength)
	}
}

func packed(text string) []byte {
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	_, _ = w.Write([]byte(text))
	_ = w.Close()
	return b.Bytes()
}

func built(t *testing.T, o web.Options) []string {
	var manifest web.Manifest
	file, err := o.Pages.Open(web.ManifestName)
	require.NoError(t, err)
	defer file.Close()
	require.NoError(t, json.NewDecoder(file).Decode(&manifest))
	names := manifest.Styles
	for _, scripts := range manifest.Pages {
		names = append(names, scripts...)
	}
	return names
}

func TestOperatorLogsInActsAndLogsOut(t *testing.T) {
	r := newRig(t)
	o := locked(t, r)
	var log lockedBuffer
	o.Log = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	server, stop := r.serveUntil(t, o)
	site := "http://" + server.Addr()
	c := newCaller(t, site)

	response, body := c.logIn("ines", "wrong-planted-word", "/alarms?kinds=notes")
	assert.Equal(t, http.StatusForbidden, response.StatusCode)
	assert.Empty(t, response.Cookies())
	assert.Contains(t, body, "The name or the password is wrong.")
	assert.Contains(t, body, `value="/alarms?kinds=notes"`)
	assert.NotContains(t, body, "planted")
	policy := response.Header.Get("Content-Security-Policy")
	assert.Contains(t, policy, "form-action 'self'")
	assert.NotContains(t, policy, "script-src")
	assert.NotContains(t, policy, "unsafe")
	_, unknown := c.logIn("planted-in-the-name", inesPassword, "")
	assert.Contains(t, unknown, "The name or the password is wrong.")

	response, _ = c.logIn("ines", inesPassword, "/alarms?kinds=notes")
	assert.Equal(t, http.StatusSeeOther, response.StatusCode)
	assert.Equal(t, "/alarms?kinds=notes", response.Header.Get("Location"))
	require.Len(t, response.Cookies(), 1)
	cookie := response.Cookies()[0]
	assert.Equal(t, "dewline-session", cookie.Name)
	assert.True(t, cookie.HttpOnly)
	assert.Equal(t, http.SameSiteStrictMode, cookie.SameSite)
	assert.Equal(t, "/", cookie.Path)
	assert.Empty(t, cookie.Domain)
	assert.False(t, cookie.Secure, "over plain HTTP a browser would not send it back")

	response, body = c.get("/alarms")
	assert.Equal(t, 200, response.StatusCode)
	assert.Contains(t, body, `data-user="Ines" data-role="operator"`)
	assert.Contains(t, response.Header.Get("Content-Security-Policy"), "form-action 'none'")
	_, body = c.get("/health")
	assert.Regexp(t, "^watching\nnotifier webhook: 3 waiting since ", body, "who is known also hears what is ill")
	_, body = c.get("/login")
	assert.Contains(t, body, "<strong>Ines</strong>, an operator")

	// The record has the name of who did it, whatever the body says.
	code, answer := c.command(`{"verb":"note","text":"lid is open (invented)","by":"somebody else"}`)
	assert.Equal(t, 200, code, answer.Reason)
	assert.Equal(t, "Ines", r.journal[len(r.journal)-1].By)

	// A stream that is open ends with the session.
	request, err := http.NewRequestWithContext(t.Context(), "GET", site+"/api/live", nil)
	require.NoError(t, err)
	live, err := c.http.Do(request)
	require.NoError(t, err)
	defer live.Body.Close()
	require.Equal(t, 200, live.StatusCode)
	response, _ = c.do("POST", "/logout", "", "")
	assert.Equal(t, "/login", response.Header.Get("Location"))
	require.Len(t, response.Cookies(), 1)
	assert.Negative(t, response.Cookies()[0].MaxAge)
	_, err = io.ReadAll(live.Body)
	require.NoError(t, err, "it ends in order")
	stolen := newCaller(t, site)
	stolen.head.Set("Cookie", cookie.Name+"="+cookie.Value)
	response, _ = stolen.get("/api/now")
	assert.Equal(t, 401, response.StatusCode, "the key of the old session opens nothing")

	stop()
	for _, want := range []string{
		`level=WARN msg="a log-in was refused" user=Ines from=127.0.0.1 err="the name or the password is wrong"`, `user="(nobody's name)"`,
		`level=INFO+2 msg="an operator has logged in" user=Ines from=127.0.0.1`, `msg="a user has logged out" user=Ines`,
	} {
		assert.Contains(t, log.String(), want)
	}
	for _, secret := range []string{"planted", inesPassword, cookie.Value} {
		assert.NotContains(t, log.String(), secret)
	}
}

func TestViewerLooksAndDoesNotAct(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, locked(t, r))
	before := len(r.journal)
	person, program := newCaller(t, site), newCaller(t, site)
	response, _ := person.logIn("Tomas", tomasPassword, "https://evil.example/")
	assert.Equal(t, "/", response.Header.Get("Location"))
	program.head.Set("Authorization", "bearer "+scraperToken)
	for name, c := range map[string]*caller{"tomas": person, "scraper": program} {
		for _, path := range []string{"/", "/metrics", "/api/now", "/api/journal", "/api/openapi.json"} {
			response, _ := c.get(path)
			assert.Equal(t, 200, response.StatusCode, path)
		}
		_, body := c.get("/api/now")
		assert.Contains(t, body, `"commands":false`)
		a := r.waiting(t)
		code, answer := c.command(fmt.Sprintf(`{"verb":"acknowledge","alarm":%q,"occurrence":%q,"by":"Ines"}`, a.Name, a.Occurrence))
		assert.Equal(t, 403, code)
		assert.Equal(t, "you are logged in as "+name+", a viewer, who may look but not act: log in as an operator", answer.Reason)
	}
	assert.Len(t, r.journal, before, "nothing was done")

	robot := newCaller(t, site)
	robot.head.Set("Authorization", "Bearer "+robotToken)
	_, body := robot.get("/api/now")
	assert.Contains(t, body, `"commands":true`)
	code, _ := robot.command(`{"verb":"note","text":"misted (invented)"}`)
	assert.Equal(t, 200, code)
	assert.Equal(t, "robot", r.journal[len(r.journal)-1].By)
}

// The stream says to operators that they may act and to viewers that they may not.
func TestStreamsSayWhatTheVisitorMayDo(t *testing.T) {
	r := newRig(t)
	site := r.serve(t, locked(t, r))
	for token, want := range map[string]string{scraperToken: `"commands":false`, robotToken: `"commands":true`} {
		request, err := http.NewRequestWithContext(t.Context(), "GET", site+"/api/live", nil)
		require.NoError(t, err)
		request.Header.Set("Authorization", "Bearer "+token)
		response, err := http.DefaultClient.Do(request)
		require.NoError(t, err)
		head := make([]byte, 2048)
		_, err = io.ReadFull(response.Body, head)
		require.NoError(t, err)
		response.Body.Close()
		assert.Contains(t, string(head), want)
	}
}

func TestSessionsFollowTheConfiguration(t *testing.T) {
	r := newRig(t)
	o := locked(t, r)
	site := r.serve(t, o)
	users, err := theUsers()
	require.NoError(t, err)
	c := newCaller(t, site)
	c.logIn("ines", inesPassword, "")
	o.Access.SetUsers(append([]auth.User{{Name: "Ines", Role: auth.Viewer, Hash: users[0].Hash}}, users[1:]...), true)
	response, _ := c.get("/api/now")
	assert.Equal(t, 401, response.StatusCode, "another role is another session")
	c.logIn("ines", inesPassword, "")
	code, _ := c.command(`{"verb":"note","text":"x"}`)
	assert.Equal(t, 403, code)
	o.Access.SetUsers(nil, true)
	response, _ = c.get("/api/now")
	assert.Equal(t, 401, response.StatusCode, "nobody can be read, and nobody is let in")
	o.Access.SetUsers(nil, false)
	response, _ = c.get("/api/now")
	assert.Equal(t, 200, response.StatusCode, "loopback, and no users any more")
	response, _ = c.get("/login")
	assert.Equal(t, "/", response.Header.Get("Location"))
	response, _ = c.logIn("ines", inesPassword, "")
	assert.Equal(t, "/", response.Header.Get("Location"))
	assert.Empty(t, response.Cookies())
}

func TestTriesAreSlowedDown(t *testing.T) {
	r := newRig(t)
	o := locked(t, r)
	o.BehindProxy, o.Hosts = true, []string{"loft.example"}
	site := r.serve(t, o)
	from := func(forwarded ...string) *caller {
		c := newCaller(t, site)
		c.head["X-Forwarded-For"] = forwarded
		return c
	}
	for i := range 5 {
		response, _ := from(fmt.Sprintf("203.0.113.%d, 192.0.2.66", i)).logIn(fmt.Sprintf("nobody%d", i), "x", "")
		require.Equal(t, 403, response.StatusCode)
	}
	response, body := from("203.0.113.99", "192.0.2.66:4711").logIn("ines", inesPassword, "")
	assert.Equal(t, 429, response.StatusCode, "whatever the sender puts before what the proxy says")
	assert.NotEmpty(t, response.Header.Get("Retry-After"))
	assert.Contains(t, body, "Too many attempts have failed: try again in ")
	response, _ = from("192.0.2.66, 2001:db8::7").logIn("ines", inesPassword, "")
	require.Equal(t, 303, response.StatusCode, "others are let in")
	cookie := response.Cookies()[0]
	assert.Equal(t, "__Host-dewline-session", cookie.Name)
	assert.True(t, cookie.Secure)

	// Without behind-proxy the header is anybody's word.
	o = locked(t, r)
	site = r.serve(t, o)
	for i := range 5 {
		response, _ = from(fmt.Sprintf("192.0.2.%d", i)).logIn(fmt.Sprintf("nobody%d", i), "x", "")
		require.Equal(t, 403, response.StatusCode)
	}
	response, _ = from("192.0.2.99").logIn("ines", inesPassword, "")
	assert.Equal(t, 429, response.StatusCode)
}

// What a machine that is no trusted proxy says of who asks is not believed, and over a proxy that is one of several the last
// address that none of them has counts.
func TestOnlyTrustedProxiesAreBelieved(t *testing.T) {
	r := newRig(t)
	for _, c := range []struct {
		name, forwarded string
		trusted         []string
		status          int // of the right password, after five wrong ones with the same end of the header
		other           int // the same with another end
	}{
		{"this machine's proxy", "203.0.113.7", nil, 429, 303},
		{"a proxy elsewhere", "203.0.113.7", []string{"198.51.100.0/24"}, 403, 403},
		{"a chain of proxies", "203.0.113.7, 198.51.100.3", []string{"198.51.100.0/24", "127.0.0.0/8"}, 429, 303},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := locked(t, r)
			o.BehindProxy, o.Hosts = true, []string{"loft.example"}
			for _, p := range c.trusted {
				o.TrustedProxies = append(o.TrustedProxies, netip.MustParsePrefix(p))
			}
			site := r.serve(t, o)
			try := func(forwarded, password string) int {
				caller := newCaller(t, site)
				caller.head.Set("X-Forwarded-For", forwarded)
				response, _ := caller.logIn("ines", password, "")
				return response.StatusCode
			}
			for range 5 {
				require.Equal(t, 403, try(c.forwarded, "x"))
			}
			if c.other == 403 { // the header counts for nothing: this machine's own address waits, whatever it says
				assert.Equal(t, 429, try("192.0.2.99", inesPassword))
				return
			}
			assert.Equal(t, c.status, try(c.forwarded, inesPassword))
			assert.Equal(t, c.other, try(strings.Replace(c.forwarded, "203.0.113.7", "203.0.113.7, 192.0.2.99", 1), inesPassword))
		})
	}
}

func TestFormsOfOtherSitesAreRefused(t *testing.T) {
	r := newRig(t)
	o := locked(t, r)
	o.BehindProxy, o.Hosts = true, []string{"loft.example"}
	site := r.serve(t, o)
	for _, c := range []struct {
		name, host, origin, fetch string
		status                    int
	}{
		{"the proxy's name", "loft.example", "https://loft.example", "", 303},
		{"the proxy's name in capitals", "Loft.Example:443", "", "same-origin", 303},
		{"a proxy that hides its name", "127.0.0.1:8420", "https://loft.example", "", 303},
		{"another site", "loft.example", "https://evil.example", "", 403},
		{"another site, as the browser says", "loft.example", "", "cross-site", 403},
		{"another name", "evil.example", "https://evil.example", "", 403},
		{"an address that is not this machine's", "192.0.2.7", "", "same-origin", 403},
	} {
		t.Run(c.name, func(t *testing.T) {
			caller := newCaller(t, site)
			caller.head.Set("Host", c.host)
			if c.origin != "" {
				caller.head.Set("Origin", c.origin)
			}
			if c.fetch != "" {
				caller.head.Set("Sec-Fetch-Site", c.fetch)
			}
			response, _ := caller.logIn("tomas", tomasPassword, "")
			assert.Equal(t, c.status, response.StatusCode)
		})
	}
	c := newCaller(t, site)
	c.head.Set("Sec-Fetch-Site", "cross-site")
	_, body := c.get("/login?next=/alarms")
	assert.Contains(t, body, `<a href="/alarms">go on</a>`, "a link elsewhere tells no session (SameSite=Strict)")
	response, body := c.do("POST", "/login", "application/x-www-form-urlencoded", "name=%zz")
	assert.Equal(t, 403, response.StatusCode, body)
	response, _ = newCaller(t, site).do("POST", "/login", "application/x-www-form-urlencoded", "password=planted%zz")
	assert.Equal(t, 400, response.StatusCode)
	response, body = newCaller(t, site).do("POST", "/login", "application/x-www-form-urlencoded", "name="+strings.Repeat("x", 10<<10))
	assert.Equal(t, 400, response.StatusCode)
	assert.NotContains(t, body, "xxxx")
}

// FuzzNext: a log-in leads to a page of this site, whatever the address of the form says.
func FuzzNext(f *testing.F) {
	for _, seed := range []string{"/", "/trend?p=tub-1/water-temperature", "//evil.example/", "https://evil.example/", "/\\evil.example", "javascript:alert(1)", "/alarms\r\nX: y", "/%2f/evil.example", "\x00", "/alarms?a#b"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		next := web.NextOf(text)
		path, _, _ := strings.Cut(next, "?")
		switch path {
		case "/", "/trend", "/alarms", "/sensors":
		default:
			t.Fatalf("%q leads to %q", text, next)
		}
		if strings.ContainsAny(next, "\r\n") {
			t.Fatalf("%q leads to %q", text, next)
		}
	})
}

// madeCertificate writes a certificate for this machine, signed by itself, and returns its paths.
func madeCertificate(t *testing.T, folder, name string, from, to time.Time) (certFile, keyFile string) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, NotBefore: from, NotAfter: to, DNSNames: []string{name}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	require.NoError(t, err)
	private, err := x509.MarshalPKCS8PrivateKey(key)
	require.NoError(t, err)
	certFile, keyFile = filepath.Join(folder, "web.pem"), filepath.Join(folder, "web.key")
	require.NoError(t, os.WriteFile(certFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	require.NoError(t, os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), 0o600))
	return certFile, keyFile
}

func TestTLS(t *testing.T) {
	r := newRig(t)
	o := locked(t, r)
	folder := t.TempDir()
	now := time.Now()
	o.CertificateFile, o.KeyFile = madeCertificate(t, folder, "loft.example", now.Add(-time.Hour), now.Add(30*24*time.Hour))
	var log lockedBuffer
	o.Log = slog.New(slog.NewTextHandler(&log, nil))
	server, _ := r.serveUntil(t, o)
	c := newCaller(t, "https://"+server.Addr())
	trust := func(certFile string) {
		data, err := os.ReadFile(certFile)
		require.NoError(t, err)
		roots := x509.NewCertPool()
		require.True(t, roots.AppendCertsFromPEM(data))
		c.http.Transport = &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}, ForceAttemptHTTP2: true, DisableKeepAlives: true}
	}
	trust(o.CertificateFile)
	response, _ := c.logIn("ines", inesPassword, "")
	require.Equal(t, 303, response.StatusCode)
	assert.Equal(t, 2, response.ProtoMajor)
	assert.Equal(t, "max-age=31536000", response.Header.Get("Strict-Transport-Security"))
	cookie := response.Cookies()[0]
	assert.Equal(t, "__Host-dewline-session", cookie.Name)
	assert.True(t, cookie.Secure && cookie.HttpOnly)
	response, body := c.get("/api/now")
	assert.Equal(t, 200, response.StatusCode)
	assert.Contains(t, body, `"commands":true`)

	_, err := tls.Dial("tcp", server.Addr(), &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11})
	require.ErrorContains(t, err, "protocol version")
	plain, err := http.Get("http://" + server.Addr() + "/login")
	require.NoError(t, err)
	plain.Body.Close()
	assert.Equal(t, 400, plain.StatusCode, "not a word over a plain line")

	// A new certificate is in force without a restart; one that cannot be read changes nothing.
	served := func() string {
		line, err := tls.Dial("tcp", server.Addr(), &tls.Config{InsecureSkipVerify: true})
		require.NoError(t, err)
		defer line.Close()
		return line.ConnectionState().PeerCertificates[0].Subject.CommonName
	}
	require.Equal(t, "loft.example", served())
	require.NoError(t, os.WriteFile(o.CertificateFile, []byte("half a certif"), 0o600))
	require.Eventually(t, func() bool {
		assert.Equal(t, "loft.example", served())
		return strings.Contains(log.String(), "the new certificate is not used, the old one stays")
	}, time.Minute, 200*time.Millisecond)
	madeCertificate(t, folder, "new.example", now.Add(-time.Hour), now.Add(30*24*time.Hour))
	require.Eventually(t, func() bool { return served() == "new.example" }, time.Minute, 200*time.Millisecond)
	trust(o.CertificateFile)
	response, _ = c.get("/api/now")
	assert.Equal(t, 200, response.StatusCode, "sessions go on")
}

func TestBadCertificatesAreReportedAtTheStart(t *testing.T) {
	r := newRig(t)
	folder, now := t.TempDir(), time.Now()
	o := locked(t, r)
	o.CertificateFile, o.KeyFile = madeCertificate(t, folder, "loft.example", now.Add(-48*time.Hour), now.Add(-24*time.Hour))
	_, err := web.Listen(o)
	require.ErrorContains(t, err, "has expired on "+now.Add(-24*time.Hour).UTC().Format("2006-01-02")+": renew it")
	foreign, _ := madeCertificate(t, t.TempDir(), "loft.example", now.Add(-time.Hour), now.Add(time.Hour))
	o.CertificateFile = foreign
	_, err = web.Listen(o)
	require.ErrorContains(t, err, "does not match")
	o.CertificateFile = filepath.Join(folder, "absent.pem")
	_, err = web.Listen(o)
	require.ErrorContains(t, err, "absent.pem: no such file")
	o.CertificateFile = ""
	_, err = web.Listen(o)
	require.Error(t, err, "half of it is none")

	// A board without a clock starts in the past: that must not cost it its pages.
	o.CertificateFile, o.KeyFile = madeCertificate(t, folder, "loft.example", now.Add(24*time.Hour), now.Add(48*time.Hour))
	server, err := web.Listen(o)
	require.NoError(t, err)
	require.NoError(t, server.Close())
}

// What must not be opened is refused before anything is opened: 192.0.2.1 (RFC 5737) is no address of this machine, so that
// what is let through fails with another error.
func TestOtherAddressesNeedUsersAndTLS(t *testing.T) {
	r := newRig(t)
	certFile, keyFile := madeCertificate(t, t.TempDir(), "loft.example", time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	none := auth.New(auth.Options{})
	unreadable := auth.New(auth.Options{})
	unreadable.SetUsers(nil, true)
	for _, c := range []struct {
		name   string
		change func(o *web.Options)
		want   string
	}{
		{"nothing", func(o *web.Options) { o.Access = nil }, "nobody would have to log in"},
		{"no users", func(o *web.Options) { o.Access, o.BehindProxy = none, true }, "nobody would have to log in"},
		{"no users that can be read", func(o *web.Options) { o.Access, o.BehindProxy = unreadable, true }, "the files of no user can be used"},
		{"no encryption", func(*web.Options) {}, "would cross the network unencrypted"},
		{"half a certificate", func(o *web.Options) { o.KeyFile = keyFile }, "would cross the network unencrypted"},
		{"TLS", func(o *web.Options) { o.CertificateFile, o.KeyFile = certFile, keyFile }, "cannot assign requested address"},
		{"a proxy", func(o *web.Options) { o.BehindProxy = true }, "cannot assign requested address"},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := locked(t, r)
			o.Listen = "192.0.2.1:8420"
			c.change(&o)
			_, err := web.Listen(o)
			require.ErrorContains(t, err, c.want)
		})
	}
}

// A flood of tries neither fills the log nor stops the site.
func TestLogOfTriesIsBounded(t *testing.T) {
	r := newRig(t)
	o := locked(t, r)
	var log lockedBuffer
	o.Log = slog.New(slog.NewTextHandler(&log, nil))
	site := r.serve(t, o)
	c := newCaller(t, site)
	begin := time.Now()
	for range 60 {
		response, _ := c.logIn("ines", "guess", "")
		require.Contains(t, []int{403, 429}, response.StatusCode)
	}
	minutes := int(time.Since(begin)/time.Minute) + 1
	lines := strings.Count(log.String(), "\n")
	assert.GreaterOrEqual(t, lines, 5)
	assert.LessOrEqual(t, lines, 12*(minutes+1))
}

// lockedBuffer is a log that is read while it is written.
type lockedBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// The connections that others can take up are bounded, and come free again.
func TestConnectionsAreBounded(t *testing.T) {
	r := newRig(t)
	server, _ := r.serveUntil(t, locked(t, r))
	var lines []net.Conn
	for range 300 {
		line, err := net.Dial("tcp", server.Addr())
		require.NoError(t, err)
		lines = append(lines, line)
	}
	for _, line := range lines {
		line.Close()
	}
	require.Eventually(t, func() bool { // the server notices one by one that they are closed
		response, err := http.Get("http://" + server.Addr() + "/health")
		if err != nil {
			return false
		}
		response.Body.Close()
		return response.StatusCode == 200
	}, 10*time.Second, 10*time.Millisecond)
}
