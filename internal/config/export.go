package config

import (
	"net/url"
	"time"
)

func (l *loader) export(n *node, local *time.Location) RemoteWrite {
	outer := l.fields(n, "export", "remote-write")
	if outer != nil && outer["remote-write"] == nil {
		l.errorf("export", "nothing is said of where to: remote-write: {url: https://…}")
	}
	const path = "export.remote-write"
	f := l.fields(outer["remote-write"], path, "url", "url-file", "token-file", "username", "password-file", "ca-file", "since")
	r := RemoteWrite{
		URL:          l.url(f["url"], path+".url", "https", "http"),
		URLFile:      l.secret(f["url-file"], path+".url-file"),
		TokenFile:    l.secret(f["token-file"], path+".token-file"),
		Username:     l.text(f["username"], path+".username"),
		PasswordFile: l.secret(f["password-file"], path+".password-file"),
		CAFile:       l.existing(f["ca-file"], path+".ca-file"),
		Since:        l.date(f["since"], path+".since", local),
	}
	if f != nil && f["url"] == nil && f["url-file"] == nil {
		l.errorf(path, "the metrics store has no address: url: https://metrics.example/api/v1/write, or url-file where the address is a secret")
	}
	return r
}

// export checks the connection to a metrics store.
func (v *validator) export() {
	r, path := &v.Export.RemoteWrite, "export.remote-write"
	if !r.On() {
		return
	}
	if r.URL != "" && r.URLFile != "" {
		v.errorf(path+".url-file", "give either url or url-file")
	}
	if v.History.Path == "" {
		if _, written := v.origins["history.path"]; !written {
			v.errorf(path, "what is exported is read from the history, and there is none: history: {path: …}")
		}
	}
	switch {
	case r.TokenFile != "" && r.PasswordFile+r.Username != "":
		v.errorf(path+".token-file", "give either token-file, or username and password-file")
	case r.PasswordFile != "" && r.Username == "":
		v.errorf(path+".password-file", "a password without a user name: give username as well")
	case r.PasswordFile == "" && r.Username != "":
		v.errorf(path+".username", "a user name without a password: give password-file as well")
	}
	to, err := url.Parse(r.URL)
	if err != nil || to.Scheme != "http" {
		return
	}
	if r.TokenFile+r.PasswordFile != "" && !loopback(to.Hostname()) {
		v.warnf(path+".url", "the secret crosses the network to %s unencrypted: use https://", to.Hostname())
	}
	if r.CAFile != "" {
		v.warnf(path+".ca-file", "a certificate is not used with http://, which is not encrypted: write https://")
	}
}
