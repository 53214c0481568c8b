package web

import (
	"context"
	"log/slog"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline/internal/server/auth"
	"dewline/internal/server/control"
)

// visitor is who has sent a request.
type visitor struct {
	auth.Identity        // zero where no log-in is needed
	let           bool   // may look
	session       string // the key of the session, "" without one
}

// mayAct reports whether commands of the visitor are carried out.
func (v *visitor) mayAct() bool { return v.let && (v.Name == "" || v.MayAct()) }

type visitorKey struct{}

func visitorOf(r *http.Request) *visitor {
	v, ok := r.Context().Value(visitorKey{}).(*visitor)
	if !ok { // a handler outside of guardAccess: no user has logged in
		return &visitor{}
	}
	return v
}

// who finds out who has sent a request: by its token, or by its session.
func (s *site) who(r *http.Request) *visitor {
	if !s.Access.Needed() {
		return &visitor{let: !s.exposed}
	}
	if scheme, token, ok := strings.Cut(r.Header.Get("Authorization"), " "); ok && strings.EqualFold(scheme, "Bearer") {
		who, let := s.Access.Bearer(strings.TrimSpace(token))
		return &visitor{Identity: who, let: let}
	}
	name, _ := s.cookieName(r)
	for _, cookie := range r.CookiesNamed(name) {
		if who, let := s.Access.Session(cookie.Value); let {
			return &visitor{who, let, cookie.Value}
		}
	}
	return &visitor{}
}

// cookieName returns the name of the session's cookie, and whether it goes over encrypted lines only. With the prefix a browser
// takes it from no other host and over no other line (RFC 6265bis, section 4.1.3.2).
func (s *site) cookieName(r *http.Request) (name string, secure bool) {
	if r.TLS != nil || s.BehindProxy {
		return "__Host-dewline-session", true
	}
	return "dewline-session", false
}

// needNoLogIn are the paths that everybody is answered: what the page for logging in needs, and a word on the daemon's health.
var needNoLogIn = []string{loginPath, logoutPath, "/health"}

func (s *site) freeForAll(r *http.Request) bool {
	if name, ok := strings.CutPrefix(r.URL.Path, "/assets/"); ok && s.assets != nil {
		return slices.Contains(s.assets.manifest.Styles, name)
	}
	return slices.Contains(needNoLogIn, r.URL.Path)
}

// guardAccess answers requests without a valid session or token with the log-in page or 401.
func (s *site) guardAccess(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := s.who(r)
		switch {
		case v.let || s.Access.Needed() && s.freeForAll(r):
			next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), visitorKey{}, v)))
		case !s.Access.Needed(): // an open server on an open address: the configuration forbids it, and so does this
			http.Error(w, "this server has no users, so that other machines are not answered", http.StatusForbidden)
		case isPage(r.URL.Path) && (r.Method == http.MethodGet || r.Method == http.MethodHead):
			http.Redirect(w, r, loginAddress(r.URL), http.StatusSeeOther)
		default:
			w.Header().Set("WWW-Authenticate", `Bearer realm="dewline"`)
			const first = "log in first: the session has ended, or there is none"
			if r.URL.Path == "/api/command" {
				answer(w, r, http.StatusUnauthorized, control.Response{Reason: first})
				return
			}
			if strings.HasPrefix(r.URL.Path, "/api/") {
				fail(w, r, http.StatusUnauthorized, notLoggedIn, first)
				return
			}
			http.Error(w, "log in first, or send the token of a user as Authorization: Bearer …", http.StatusUnauthorized)
		}
	})
}

// trusted reports whether a proxy that is believed asks from an address.
func (s *site) trusted(address netip.Addr) bool {
	if len(s.TrustedProxies) == 0 {
		return address.IsLoopback()
	}
	return slices.ContainsFunc(s.TrustedProxies, func(p netip.Prefix) bool { return p.Contains(address) })
}

// manySpeakFrom reports whether an address speaks for many: this machine's own, and that of a proxy.
func (s *site) manySpeakFrom(address netip.Addr) bool {
	return address.IsLoopback() || s.BehindProxy && s.trusted(address)
}

// guardProxy refuses what comes past the proxy that speaks TLS: passwords would cross the network in clear.
func (s *site) guardProxy(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		peer := addressOf(r.RemoteAddr)
		if s.BehindProxy && s.CertificateFile == "" && !s.trusted(peer) && !peer.IsLoopback() {
			http.Error(w, "this server answers a proxy only: come by its address, or name the proxy's under web: trusted-proxies", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// from returns the address by which failed tries are counted. Each proxy appends the address of its client to X-Forwarded-For.
// Everything before the entry of the last trusted proxy comes from the client and is not believed.
func (s *site) from(r *http.Request) netip.Addr {
	from := addressOf(r.RemoteAddr) // the zero one is counted as one
	if !s.BehindProxy {
		return from
	}
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	for _, hop := range slices.Backward(hops) {
		if !s.trusted(from) {
			return from
		}
		hop = strings.TrimSpace(hop)
		address := addressOf(hop)
		if plain, err := netip.ParseAddr(strings.Trim(hop, "[]")); err == nil {
			address = plain.Unmap().WithZone("")
		}
		if !address.IsValid() {
			return from
		}
		from = address
	}
	return from
}

// logPace keeps the log readable, and the card whole, while something goes on and on: a few lines in a while, and how many there
// were beside them.
type logPace struct {
	while time.Duration
	most  int // lines in a while

	mu          sync.Mutex
	began       time.Time
	lines, more int
}

func (p *logPace) log(to *slog.Logger, level slog.Level, message string, attributes ...any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if now := time.Now(); now.Sub(p.began) > p.while {
		p.began, p.lines = now, 0
	}
	if p.lines >= p.most {
		p.more++
		return
	}
	p.lines++
	if p.more > 0 {
		attributes = append(attributes, "not_logged_before", p.more)
		p.more = 0
	}
	to.Log(context.Background(), level, message, attributes...)
}
