// Package httpx makes requests to secret addresses on the internet: it reads addresses from files, makes a client that
// follows no redirect to another host, and explains errors without quoting address or secret.
//
//	address := httpx.Address{File: "/run/credentials/dewline.service/hook"}
//	url, err := address.Get() // reads the file each time, so that a change counts at once
//	client := httpx.Client(nil, 15*time.Second)
//	response, err := client.Do(request)
//	if err != nil {
//		return httpx.Explain(err)
//	}
//
// The address of a webhook or of a heartbeat is often all that is needed to use it, so it is treated as a password: it appears in
// no error and in no log.
package httpx

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"strings"

	"dewline/internal/secretfile"
)

// Address is where to send requests: the URL itself, or a file that contains it.
type Address struct{ URL, File string }

// Get returns the address. Its errors do not quote it.
func (a Address) Get() (*url.URL, error) {
	text, where := a.URL, "the address"
	if a.File != "" {
		var err error
		if text, err = secretfile.Read(a.File); err != nil {
			return nil, fmt.Errorf("secret: %w", err)
		}
		where = "the address in " + a.File
	}
	u, err := url.Parse(strings.TrimSpace(text))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s is no URL", where)
	case u.Scheme != "https" && u.Scheme != "http", u.Hostname() == "":
		return nil, fmt.Errorf("%s must begin with https:// (or http://) and a host name", where)
	}
	return u, nil
}

// Request makes a request to the address.
func (a Address) Request(ctx context.Context, method string, body io.Reader) (*http.Request, error) {
	to, err := a.Get()
	if err != nil {
		return nil, err
	}
	request, err := http.NewRequestWithContext(ctx, method, to.String(), body)
	if err != nil {
		return nil, errors.New("the address is no URL")
	}
	request.Header.Set("User-Agent", "dewline")
	return request, nil
}

// String returns where the address is configured, not the address.
func (a Address) String() string {
	switch {
	case a.File != "":
		return "the address in " + a.File
	case a.URL != "":
		return "an address that is not shown"
	}
	return "no address"
}

// GoString keeps the address out of %#v.
func (a Address) GoString() string { return a.String() }

// LogValue implements [slog.LogValuer].
func (a Address) LogValue() slog.Value { return slog.StringValue(a.String()) }

// ErrRedirected is the error of a redirect to another host, which is not followed.
var ErrRedirected = errors.New("the server redirects to another address, which is not followed")
