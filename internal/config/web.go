package config

import (
	"cmp"
	"net/netip"
	"strings"
	"unicode"
)

func (l *loader) web(n *node) Web {
	f := l.fields(n, "web", "listen", "hosts", "users", "certificate-file", "key-file", "behind-proxy", "trusted-proxies", "public-url")
	web := Web{
		Listen:          l.listen(f["listen"], "web.listen"),
		CertificateFile: l.existing(f["certificate-file"], "web.certificate-file"),
		KeyFile:         l.secret(f["key-file"], "web.key-file"),
		BehindProxy:     l.boolean(f["behind-proxy"], "web.behind-proxy"),
		PublicURL:       l.url(f["public-url"], "web.public-url", "https", "http"),
	}
	web.Listen = cmp.Or(web.Listen, DefaultListen)
	for _, host := range l.texts(f["hosts"], "web.hosts") {
		web.Hosts = append(web.Hosts, strings.ToLower(host))
	}
	for i, text := range l.texts(f["trusted-proxies"], "web.trusted-proxies") {
		prefix, err := netip.ParsePrefix(text)
		if address, bare := netip.ParseAddr(text); bare == nil {
			prefix, err = netip.PrefixFrom(address, address.BitLen()), nil
		}
		if err != nil {
			l.errorf(l.origins.first(index("web.trusted-proxies", i), "web.trusted-proxies"), "%s is neither an address such as 192.168.1.2 nor a network such as 192.168.1.0/24", quoted(text))
			continue
		}
		web.TrustedProxies = append(web.TrustedProxies, prefix.Masked())
	}
	for i, n := range l.items(f["users"], "web.users") {
		path := index("web.users", i)
		f := l.fields(n, path, "name", "role", "password-hash-file", "token-file")
		web.Users = append(web.Users, WebUser{
			Name:             l.text(f["name"], join(path, "name")),
			Role:             l.word(f["role"], join(path, "role"), "role", "viewer", "operator"),
			PasswordHashFile: l.secret(f["password-hash-file"], join(path, "password-hash-file")),
			TokenFile:        l.secret(f["token-file"], join(path, "token-file")),
		})
	}
	return web
}

// web checks what other machines could reach, and who of them is let in.
func (v *validator) web() {
	w := &v.Web
	if (w.CertificateFile == "") != (w.KeyFile == "") {
		v.errorf(v.origins.first("web.certificate-file", "web.key-file"), "certificate-file and key-file belong together: give both")
	}
	v.webUsers()
	v.webHosts()
	host, port, err := splitHostPort(w.Listen)
	if w.Listen == "" || err != nil {
		return
	}
	if port != 0 && w.Listen == v.MQTT.Embedded.Listen {
		v.errorf("mqtt.embedded.listen", "the web pages listen on %s too%s", w.Listen, v.line("web.listen"))
	}
	if !w.BehindProxy && len(w.TrustedProxies) > 0 {
		v.warnf("web.trusted-proxies", "no proxy is believed without behind-proxy: true")
	}
	if w.BehindProxy && !loopback(host) && len(w.TrustedProxies) == 0 {
		v.warnf("web.behind-proxy", "other machines can reach %s, and only a proxy on this machine is believed and answered: listen on 127.0.0.1, or name the proxy's address: trusted-proxies: [192.168.1.2]", w.Listen)
	}
	for _, p := range w.TrustedProxies {
		if p.Bits() == 0 {
			v.errorf("web.trusted-proxies", "%s is every address there is: anybody could say who asks. Name the proxy's own", p)
		}
	}
	switch secret := w.CertificateFile+w.KeyFile != "" || w.BehindProxy; {
	case loopback(host):
		if len(w.Users) == 0 && (w.BehindProxy || len(w.Hosts) > 0) {
			v.warnf(v.origins.first("web.behind-proxy", "web.hosts"), "there are no users, so that everybody whom the proxy lets in may look and act: give users")
		}
		if len(w.Users) > 0 && len(w.Hosts) == 0 && w.BehindProxy {
			v.warnf("web.behind-proxy", "requests that a proxy hands on under its own name are refused unless that name stands in hosts: [loft.example]")
		}
	case len(w.Users) == 0:
		v.errorf("web.listen", "%s can be reached from other machines, and nobody would have to log in: give users (dewline password makes the files), or listen on 127.0.0.1", w.Listen)
	case !secret:
		v.errorf("web.listen", "%s can be reached from other machines, and passwords would cross the network unencrypted: give certificate-file and key-file, or behind-proxy: true where a proxy speaks TLS", w.Listen)
	case len(w.Hosts) == 0:
		v.warnf("web.listen", "the pages answer to the address of this machine only, and to no name: give hosts: [loft.example]")
	}
}

const maxUserName = 40

func (v *validator) webUsers() {
	first := map[string]int{}
	for i := range v.Web.Users {
		user, path := &v.Web.Users[i], index("web.users", i)
		key := strings.ToLower(user.Name)
		if user.Name == "" {
			v.required(join(path, "name"), "this user has no name")
		} else if before, twice := first[key]; twice {
			v.errorf(join(path, "name"), "there is a user %s already%s: capitals make no difference", quoted(user.Name), v.line(index("web.users", before)))
		} else {
			first[key] = i
			v.webName(user.Name, join(path, "name"))
		}
		if user.Role == "" {
			v.required(join(path, "role"), "user %s has no role: viewer looks, operator may acknowledge and shelve as well", quoted(user.Name))
		}
		switch hash, token := user.PasswordHashFile != "", user.TokenFile != ""; {
		case hash && token:
			v.errorf(join(path, "token-file"), "give either password-hash-file, for a person, or token-file, for a program")
		case !hash && !token:
			v.required(path+".password-hash-file", "user %s has no password-hash-file, or for a program a token-file", quoted(user.Name))
		}
	}
}

// webName checks the name of a user, which the journal records with each action: it must be one word that cannot be taken for the
// program itself.
func (v *validator) webName(name, path string) {
	bad := func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune("-_.@", r)
	}
	switch {
	case len([]rune(name)) > maxUserName || strings.IndexFunc(name, bad) >= 0:
		v.errorf(path, "the name of a user is one word of at most %d letters, digits, - _ . @", maxUserName)
	case strings.EqualFold(name, "dewline"):
		v.errorf(path, "%s is what the journal calls the program itself: choose another name", quoted(name))
	}
}

func (v *validator) webHosts() {
	bad := func(r rune) bool { return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' || r == '.') }
	for i, host := range v.Web.Hosts {
		if strings.IndexFunc(host, bad) >= 0 || strings.HasPrefix(host, ".") || len(host) > 253 {
			v.errorf(v.origins.first(index("web.hosts", i), "web.hosts"), "%s is not a host name such as loft.example: no https://, no port, no wildcard", quoted(host))
		}
	}
}
