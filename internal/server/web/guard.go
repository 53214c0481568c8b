package web

import (
	"net"
	"net/http"
	"slices"
	"strings"
)

// policy lets a page load what this server gives it and nothing else, from nowhere else. The one inline style is that of
// the plain page, by its hash. Pictures of charts are made in the browser, hence blob: and data:.
var policy = "default-src 'none'; script-src 'self'; connect-src 'self'; img-src 'self' blob: data:; manifest-src 'self'; style-src 'self' 'sha256-" + styleHash +
	"'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"

// secure sets the headers that keep a page from doing more than it should.
func secure(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		next.ServeHTTP(w, r)
	})
}

// guardHost refuses requests that came by a name other than this machine's own or one that was configured: a foreign site
// whose name has been pointed here (DNS rebinding) must not read the room.
func (s *site) guardHost(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := r.Host
		if name, _, err := net.SplitHostPort(host); err == nil {
			host = name
		}
		host = strings.ToLower(strings.TrimSuffix(strings.TrimPrefix(host, "["), "]"))
		if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback() && !ip.Equal(localIP(r))) && !slices.Contains(s.Hosts, host) {
			http.Error(w, "this server does not go by that name: call it localhost, or configure the name under web: hosts", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// localIP returns the address of this machine over which a request came. A name that was pointed here is none.
func localIP(r *http.Request) net.IP {
	if address, ok := r.Context().Value(http.LocalAddrContextKey).(*net.TCPAddr); ok {
		return address.IP
	}
	return nil
}
