package web

import (
	"cmp"
	_ "embed"
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"dewline/internal/server/auth"
)

const (
	loginPath  = "/login"
	logoutPath = "/logout"
)

//go:embed login.html
var loginSource string

var loginPage = template.Must(template.New("login").Parse(loginSource))

// loginPolicy is that of the one page with a form that needs no script. It runs none.
var loginPolicy = "default-src 'none'; style-src 'self' 'sha256-" + styleHash +
	"'; img-src data:; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

type loginView struct {
	frame
	In         bool
	Name, Next string
	Elsewhere  bool // came by a link on another site, for which the browser sends no session cookie
	Problem    string
}

func (s *site) serveLogin(w http.ResponseWriter, r *http.Request) {
	if !s.Access.Needed() {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	s.showLogin(w, r, http.StatusOK, &loginView{
		Next: nextOf(r.URL.Query().Get("next")), Elsewhere: r.Header.Get("Sec-Fetch-Site") == "cross-site",
	})
}

func (s *site) showLogin(w http.ResponseWriter, r *http.Request, status int, view *loginView) {
	view.frame, view.In = s.frameOf(r), visitorOf(r).let
	h := w.Header()
	h.Set("Content-Security-Policy", loginPolicy)
	h.Set("Referrer-Policy", "same-origin") // no-referrer would hide from an old browser's POST where it comes from
	s.render(w, r, status, loginPage, view)
}

const maxFormBytes = 8 << 10

// serveTry takes the form of the log-in page.
func (s *site) serveTry(w http.ResponseWriter, r *http.Request) {
	if !s.Access.Needed() {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxFormBytes)
	if err := r.ParseForm(); err != nil { // the error may quote the form
		s.showLogin(w, r, http.StatusBadRequest, &loginView{Next: "/", Problem: "The form was not understood: try once more."})
		return
	}
	name, password, next := r.PostForm.Get("name"), r.PostForm.Get("password"), nextOf(r.PostForm.Get("next"))
	from := s.from(r)
	key, who, err := s.Access.LogIn(r.Context(), from, name, password)
	if err != nil {
		s.refuseTry(w, r, err, &loginView{Name: name, Next: next})
		return
	}
	level, message := slog.LevelInfo, "a viewer has logged in"
	if who.MayAct() {
		level, message = slog.LevelInfo+2, "an operator has logged in" // notice
	}
	s.logins.log(s.Log, level, message, "user", who.Name, "from", from)
	s.Access.LogOut(visitorOf(r).session) // a session is not handed on
	s.setCookie(w, r, key, int(auth.Lifetime.Seconds()))
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// refuseTry answers a refused log-in with the reason. The log names existing users only: an unknown name may be a password typed
// into the wrong field.
func (s *site) refuseTry(w http.ResponseWriter, r *http.Request, err error, view *loginView) {
	user := cmp.Or(s.Access.Known(view.Name), "(nobody's name)")
	s.logins.log(s.Log, slog.LevelWarn, "a log-in was refused", "user", user, "from", s.from(r), "err", err)
	status := http.StatusServiceUnavailable
	view.Problem = "Too many people are logging in at this moment: try again in a few seconds."
	if wait, ok := errors.AsType[auth.WaitError](err); ok {
		status = http.StatusTooManyRequests
		w.Header().Set("Retry-After", strconv.Itoa(wait.Seconds()))
		view.Problem = "Too many attempts have failed: try again in " + strconv.Itoa(wait.Seconds()) + " seconds."
	} else if errors.Is(err, auth.ErrWrong) {
		status = http.StatusForbidden
		view.Problem = "The name or the password is wrong."
	}
	s.showLogin(w, r, status, view)
}

func (s *site) serveLogout(w http.ResponseWriter, r *http.Request) {
	if v := visitorOf(r); v.session != "" {
		s.Access.LogOut(v.session)
		s.logins.log(s.Log, slog.LevelInfo, "a user has logged out", "user", v.Name, "from", s.from(r))
	}
	s.setCookie(w, r, "", -1)
	http.Redirect(w, r, loginPath, http.StatusSeeOther)
}

func (s *site) setCookie(w http.ResponseWriter, r *http.Request, value string, maxAge int) {
	name, secure := s.cookieName(r)
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: value, Path: "/", MaxAge: maxAge, HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: secure,
	})
}

func isPage(path string) bool {
	return slices.ContainsFunc(pages, func(p pageOf) bool { return p.Link == path }) || humidityPath.MatchString(path)
}

// loginAddress is the log-in page with a return to the wanted address.
func loginAddress(wanted *url.URL) string {
	if next := nextOf(wanted.RequestURI()); next != "/" {
		return loginPath + "?next=" + url.QueryEscape(next)
	}
	return loginPath
}

// nextOf returns where to go after the log-in: one of the pages here, and nowhere else.
func nextOf(text string) string {
	next, err := url.Parse(text)
	if err != nil || next.Scheme != "" || next.Host != "" || next.User != nil || !isPage(next.Path) {
		return "/"
	}
	if next.RawQuery == "" {
		return next.Path
	}
	return next.Path + "?" + next.RawQuery
}
