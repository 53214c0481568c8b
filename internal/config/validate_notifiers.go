package config

import (
	"net/mail"
	"net/url"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
)

func (v *validator) mqtt() {
	m := &v.MQTT
	if _, written := v.origins["mqtt"]; written && m.Broker == "" && m.Embedded.Listen == "" {
		if _, refused := v.origins["mqtt.embedded"]; !refused {
			v.required("mqtt.broker", "mqtt has no broker: broker: mqtt://127.0.0.1:1883, or embedded: {listen: 127.0.0.1:1883}")
		}
	}
	if err := checkTopic(m.Root, false); err != nil && m.Root != "" {
		v.errorf("mqtt.root", "%s", err)
	} else if strings.HasPrefix(m.Root, "$") || strings.Contains("/"+m.Root+"/", "//") && m.Root != "" {
		v.errorf("mqtt.root", "root %s must not begin with $ or a slash, nor have an empty level", quoted(m.Root))
	}
	v.credentials("mqtt", m.Broker, m.Username, m.PasswordFile)
	if (m.CertificateFile == "") != (m.KeyFile == "") {
		v.errorf(v.origins.first("mqtt.certificate-file", "mqtt.key-file"), "certificate-file and key-file belong together: give both")
	}
	if m.CAFile+m.CertificateFile != "" && m.Broker != "" && !encrypted(m.Broker) {
		v.warnf(v.origins.first("mqtt.ca-file", "mqtt.certificate-file"), "certificates are not used with %s, which is not encrypted: write mqtts://", m.Broker)
	}
	v.embedded()
}

// credentials checks user name and password of a connection to a broker.
func (v *validator) credentials(path, broker, username, passwordFile string) {
	if passwordFile != "" && username == "" {
		v.errorf(join(path, "password-file"), "a password without a user name: give username as well")
	}
	if passwordFile == "" || broker == "" || encrypted(broker) {
		return
	}
	if parsed, err := url.Parse(broker); err == nil && !loopback(parsed.Hostname()) {
		v.warnf(join(path, "broker"), "the password crosses the network to %s unencrypted: use mqtts://", parsed.Hostname())
	}
}

// encrypted reports whether a broker's address means TLS.
func encrypted(broker string) bool {
	scheme, _, _ := strings.Cut(broker, ":")
	return scheme == "mqtts" || scheme == "ssl" || scheme == "tls" || scheme == "wss"
}

func (v *validator) embedded() {
	e := &v.MQTT.Embedded
	if e.Listen != "" {
		if host, _, err := splitHostPort(e.Listen); err == nil && !loopback(host) {
			v.errorf("mqtt.embedded.listen", "the embedded broker serves this machine only: listen on 127.0.0.1, and run a broker of the distribution for other machines")
		}
	}
	first := map[string]int{}
	for i, user := range e.Users {
		path := index("mqtt.embedded.users", i)
		if user.Name == "" {
			v.required(join(path, "name"), "this user has no name")
		} else if user.Name == ReservedUser {
			v.errorf(join(path, "name"), "%s is the name under which dewline itself uses its broker: take another", quoted(user.Name))
		} else if before, twice := first[user.Name]; twice {
			v.errorf(join(path, "name"), "there is a user %s already%s", quoted(user.Name), v.line(index("mqtt.embedded.users", before)))
		} else {
			first[user.Name] = i
		}
		if user.PasswordFile == "" {
			v.required(join(path, "password-file"), "user %s has no password-file", quoted(user.Name))
		}
		for key, filters := range map[string][]string{"read": user.Read, "write": user.Write} {
			for j, filter := range filters {
				if err := checkTopic(filter, true); err != nil {
					v.errorf(v.origins.first(index(join(path, key), j), join(path, key)), "%s", err)
				}
			}
		}
	}
}

// listeners checks the addresses that other machines could reach, and the heartbeat.
func (v *validator) listeners() {
	v.web()
	const maxSocket = 107 // sun_path of unix(7) has 108 bytes with the final zero
	if len(v.Control.Socket) > maxSocket {
		v.errorf("control.socket", "the path of a socket has at most %d bytes, and this has %d", maxSocket, len(v.Control.Socket))
	}
	if v.Heartbeat.URL != "" && v.Heartbeat.URLFile != "" {
		v.errorf("heartbeat.url-file", "give either url or url-file")
	}
	if v.Heartbeat.URL+v.Heartbeat.URLFile != "" && v.Heartbeat.Every < 30*time.Second {
		v.errorf("heartbeat.every", "a heartbeat more often than every 30s is taken for an attack by many services")
	}
}

func (v *validator) notify() {
	taken := map[care.Priority]bool{}
	for i := range v.Notify {
		notifier, path := &v.Notify[i], index("notify", i)
		for _, p := range notifier.Priorities {
			taken[p] = true
		}
		switch notifier.Kind {
		case "mqtt":
			if v.MQTT.Broker == "" && v.MQTT.Embedded.Listen == "" && !v.unsure.mqtt {
				v.errorf(v.origins.first(join(path, "via"), join(path, "outlet")), "via: mqtt needs a broker: give mqtt: {broker: mqtt://127.0.0.1:1883}")
			}
		case "webhook":
			switch {
			case notifier.URL == "" && notifier.URLFile == "":
				v.errorf(path, "a webhook needs its address: url: https://…, or url-file where the address is a secret")
			case notifier.URL != "" && notifier.URLFile != "" && notifier.URL != refused:
				v.errorf(join(path, "url-file"), "give either url or url-file")
			}
			if strings.HasPrefix(notifier.URL, "http:") && notifier.TokenFile != "" {
				v.warnf(join(path, "url"), "the token goes over the network unencrypted: use https://")
			}
			v.content(notifier, path)
		case "mail":
			v.mail(notifier, path)
		}
		v.timing(notifier, path)
		if notifier.Repeat > 0 && notifier.Repeat < time.Minute {
			v.errorf(join(path, "repeat"), "a repetition more often than every minute does not help: give at least 1m")
		}
		if notifier.Until != "" && notifier.Repeat == 0 {
			v.required(join(path, "repeat"), "until ends a repetition: give repeat: 15m as well")
		}
	}
	for p := range taken {
		v.atOnce(p)
	}
}

// atOnce warns if every notifier that takes a priority waits: an escalation needs one that sends at once.
func (v *validator) atOnce(p care.Priority) {
	for i := range v.Notify {
		if o := &v.Notify[i]; slices.Contains(o.Priorities, p) && o.After == 0 {
			return
		}
	}
	for i := range v.Notify {
		if o := &v.Notify[i]; slices.Contains(o.Priorities, p) {
			v.warnf(join(index("notify", i), "after"), "nobody is told of %s alarms at once: let another notifier without after take that priority", p)
			return
		}
	}
}

// timing checks the times at which a notifier sends.
func (v *validator) timing(o *NotifierConfig, path string) {
	if o.Kind == "mqtt" {
		for _, key := range []string{"after", "style", "quiet"} {
			if _, written := v.origins[join(path, key)]; written {
				v.errorf(join(path, key), "%s is no option of via: mqtt, whose events are for programs and always go out at once", key)
			}
		}
		return
	}
	if o.After > 0 && o.After < time.Minute {
		v.errorf(join(path, "after"), "an alarm can hardly be confirmed within %s: give at least 1m", formatDuration(o.After))
	} else if allowable := o.Slowest(); o.After > allowable {
		v.warnf(join(path, "after"), "the worst alarm that this notifier takes asks for action within %s, so after %s its message comes too late", formatDuration(allowable), formatDuration(o.After))
	}
	if o.Quiet == nil {
		return
	}
	if o.Quiet.From == o.Quiet.To || o.Quiet.To-o.Quiet.From == 24*60 {
		v.errorf(join(path, "quiet"), "quiet hours must begin and end at different times: with these no low or medium alarm would ever go out")
	}
	if !slices.Contains(o.Priorities, care.LowPriority) && !slices.Contains(o.Priorities, care.MediumPriority) {
		v.errorf(join(path, "quiet"), "quiet hours hold back low and medium alarms, and this notifier takes neither: high and critical ones always go out at once")
	}
}

// content checks the title header and the template of a webhook.
func (v *validator) content(o *NotifierConfig, path string) {
	if o.TitleHeader != "" {
		switch {
		case o.Format != "text":
			v.errorf(join(path, "title-header"), "title-header belongs to format: text; the others carry the title in their body")
		case strings.IndexFunc(o.TitleHeader, notOfHeader) >= 0:
			v.errorf(join(path, "title-header"), "%s is not the name of a header, such as Title or X-Title", quoted(o.TitleHeader))
		case slices.Contains(ownHeaders, strings.ToLower(o.TitleHeader)):
			v.errorf(join(path, "title-header"), "%s has a meaning of its own in a request: the title needs another header, such as Title", quoted(o.TitleHeader))
		}
	}
	switch {
	case o.Template == nil:
	case o.Format == "cloudevent":
		v.errorf(join(path, "template"), "a template writes format: text or json; a CloudEvent has a form of its own")
	case o.Format == "json" && !o.Template.WritesJSON():
		v.errorf(join(path, "template"), `this template does not write JSON: put values in by {{json .Text}}, which quotes them, as in {"text": {{json .Text}}}`)
	}
}

// notOfHeader reports whether a rune does not belong into the name of a header (RFC 9110 section 5.1).
func notOfHeader(r rune) bool {
	return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("!#$%&'*+-.^_`|~", r))
}

// ownHeaders are headers that HTTP or the sender sets itself.
var ownHeaders = []string{
	"authorization", "connection", "content-encoding", "content-length", "content-type", "cookie", "date", "dewline-signature", "expect", "host", "te", "trailer",
	"transfer-encoding", "upgrade", "user-agent",
}

func (v *validator) mail(notifier *NotifierConfig, path string) {
	if notifier.Server == "" {
		v.errorf(path, "mail needs a server: server: smtp.example.org:587")
	}
	if notifier.From == "" {
		v.required(join(path, "from"), "mail needs a sender: from: dewline@example.org")
	} else if _, err := mail.ParseAddress(notifier.From); err != nil {
		v.errorf(join(path, "from"), "%s is not a mail address", quoted(notifier.From))
	}
	if len(notifier.To) == 0 {
		v.required(join(path, "to"), "mail needs a receiver: to: keeper@example.org")
	}
	for i, to := range notifier.To {
		if _, err := mail.ParseAddress(to); err != nil {
			v.errorf(v.origins.first(index(join(path, "to"), i), join(path, "to")), "%s is not a mail address", quoted(to))
		}
	}
	if notifier.PasswordFile != "" && notifier.Username == "" {
		v.errorf(join(path, "password-file"), "a password without a user name: give username as well")
	}
	if _, written := v.origins[join(path, "password-file")]; notifier.Username != "" && notifier.PasswordFile == "" && !written {
		v.errorf(join(path, "username"), "a user name without a password: give password-file as well")
	}
	if host, _, err := splitHostPort(notifier.Server); err == nil && notifier.Security == "none" && notifier.PasswordFile != "" && !loopback(host) {
		v.warnf(join(path, "security"), "the password crosses the network to %s unencrypted: use security: starttls or tls", host)
	}
}
