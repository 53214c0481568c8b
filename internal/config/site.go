package config

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/misting/schedule"
	"dewline/internal/core/quantity"
)

// DefaultSocket is where the daemon listens for the command line unless the configuration says otherwise.
const DefaultSocket = "/run/dewline/control.sock"

// DefaultListen is where pages and metrics are served unless the configuration says otherwise.
const DefaultListen = "127.0.0.1:8420"

var siteKeys = []string{
	"site", "timezone", "light", "display", "profiles", "places", "cohorts", "sensors", "history", "mqtt", "web",
	"control", "notify", "digest", "heartbeat", "export", "panels",
}

// site decodes a whole configuration. It reports what it cannot read and leaves it out of the site.
func (l *loader) site(root *node) *Site {
	site := newSite()
	site.positions = l.origins
	if root.kind == nothing {
		l.errorf("", "the configuration is empty")
	}
	f := l.fields(root, "", siteKeys...)
	site.ID = l.id(f["site"], "site")
	site.Location = l.location(f["timezone"], "timezone")
	local := cmp.Or(site.Location, time.UTC) // dates can still be checked
	site.Light = l.light(f["light"], "light", local)
	site.Display.Temperature = quantity.Celsius
	display := l.fields(f["display"], "display", "temperature")
	if l.commonWord(display["temperature"], "display.temperature", "scale", scaleOf, "celsius", "fahrenheit") == "fahrenheit" {
		site.Display.Temperature = quantity.Fahrenheit
	}
	l.profiles(site, f["profiles"])
	for i, n := range l.items(f["places"], "places") {
		site.Places = append(site.Places, l.place(n, index("places", i)))
	}
	site.unsure.places = f["places"] != nil && f["places"].kind != list
	for i, n := range l.items(f["cohorts"], "cohorts") {
		site.Cohorts = append(site.Cohorts, l.cohort(n, index("cohorts", i), local))
	}
	for i, n := range l.items(f["sensors"], "sensors") {
		sensor, whole := l.sensor(n, index("sensors", i), local)
		site.Sensors = append(site.Sensors, sensor)
		site.unsure.sensors = site.unsure.sensors || !whole
	}
	if n := f["sensors"]; n != nil && n.kind != list {
		site.unsure.sensors = true
	}
	site.History = l.history(f["history"])
	site.MQTT = l.mqtt(f["mqtt"], site.ID)
	site.unsure.mqtt = f["mqtt"] != nil
	site.Web = l.web(f["web"])
	site.Control.Socket = DefaultSocket
	control := l.fields(f["control"], "control", "socket")
	if socket := l.file(control["socket"], "control.socket"); socket != "" {
		site.Control.Socket = socket
	}
	for i, n := range l.items(f["notify"], "notify") {
		site.Notify = append(site.Notify, l.notifier(n, index("notify", i), local))
	}
	site.Digest = l.digest(f["digest"], local)
	site.Heartbeat = l.heartbeat(f["heartbeat"])
	site.Export.RemoteWrite = l.export(f["export"], local)
	for i, n := range l.items(f["panels"], "panels") {
		site.Panels = append(site.Panels, l.panel(n, index("panels", i), site))
	}
	return site
}

// file reads the path of a file; a relative one is relative to the folder of the configuration.
func (l *loader) file(n *node, path string) string {
	return l.resolve(l.text(n, path))
}

func (l *loader) location(n *node, path string) *time.Location {
	name := l.text(n, path)
	if name == "" {
		if n != nil && n.kind == scalar { // "" says no more than leaving it out does
			delete(l.origins, path)
		}
		return nil
	}
	location, err := Timezone(name)
	if err != nil {
		l.errorf(path, "%s", err)
		return nil
	}
	if doubt := zoneInDoubt(name, location); doubt != "" {
		l.warnf(path, "%s", doubt)
	}
	return location
}

func (l *loader) light(n *node, path string, local *time.Location) care.Light {
	light := care.Light{Location: local, AlwaysDay: true}
	f := l.fields(n, path, "day")
	if day, ok := parsed(l.decoder, f["day"], "light.day", parseLightHours); ok {
		light.From, light.To, light.AlwaysDay = day.from, day.to, false
	}
	return light
}

// A mister is taken for stuck no sooner and no later than this after a misting. Engineering judgement.
const (
	minStuck = 30 * time.Minute
	maxStuck = 7 * 24 * time.Hour
)

func (l *loader) place(n *node, path string) Place {
	f := l.fields(n, path, "id", "title", "kind", "in", "latch", "mistings", "stuck-mister-after", "bands")
	place := Place{
		ID:      l.id(f["id"], join(path, "id")),
		Title:   l.text(f["title"], join(path, "title")),
		In:      l.text(f["in"], join(path, "in")),
		Latch:   l.boolean(f["latch"], join(path, "latch")),
		Bands:   map[quantity.Quantity]care.DayNight{},
		Sources: map[string]string{},
	}
	place.Title = cmp.Or(place.Title, place.ID)
	place.Mistings, _ = parsed(l.decoder, f["mistings"], join(path, "mistings"), schedule.Parse)
	stuck := join(path, "stuck-mister-after")
	place.StuckMisterAfter = l.positive(f["stuck-mister-after"], stuck, maxStuck)
	if after := place.StuckMisterAfter; after > 0 && after < minStuck {
		l.errorf(stuck, "%s is shorter than the %s for which the air may be saturated after any misting", formatDuration(after), formatDuration(minStuck))
	}
	kind := l.commonWord(f["kind"], join(path, "kind"), "kind of place", kindOfPlace, "room", "enclosure")
	place.Room = kind == "room"
	if f["kind"] == nil && f != nil {
		l.errorf(path, "place %s has no kind: room or enclosure", quoted(place.ID))
	}
	bands := join(path, "bands")
	sources := map[string]string{}
	for _, e := range l.anyFields(f["bands"], bands) {
		inner := join(bands, e.key)
		q, err := quantityByName(e.key)
		if err != nil {
			l.errorf(inner, "%s", err)
			continue
		}
		if e.value.kind == nothing {
			l.errorf(inner, "the band of %s is empty: give low, high, critical-low or critical-high, or leave it out", q)
			continue
		}
		place.Bands[q] = l.band(e.value, inner, q, sources, "override")
	}
	for path, source := range sources {
		place.Sources[strings.TrimPrefix(path, bands+".")] = source
	}
	return place
}

func (l *loader) cohort(n *node, path string, local *time.Location) Cohort {
	f := l.fields(n, path, "id", "profile", "place", "stages")
	cohort := Cohort{
		ID:      l.id(f["id"], join(path, "id")),
		Profile: l.text(f["profile"], join(path, "profile")),
	}
	where := join(path, "place")
	if place := f["place"]; place != nil && place.kind == list {
		l.errorf(where, "a cohort lives in one place: make a cohort for each place")
	} else {
		cohort.Place = l.text(place, where)
	}
	stages := join(path, "stages")
	for i, item := range l.items(f["stages"], stages) {
		inner := index(stages, i)
		f := l.fields(item, inner, "stage", "since")
		name := l.text(f["stage"], join(inner, "stage"))
		which, err := care.Parse(name)
		switch {
		case name == "" && f != nil && f["stage"] == nil:
			l.errorf(inner, "this entry has no stage")
		case name != "" && err != nil:
			l.errorf(join(inner, "stage"), "%s", UnknownWord("stage", name, stageNames()))
		}
		at := l.date(f["since"], join(inner, "since"), local)
		if f != nil && f["since"] == nil {
			l.errorf(inner, "this entry has no time since when: since: 2026-09-01")
		}
		// An entry that was refused keeps its place, so that those after it keep theirs.
		cohort.Stages = append(cohort.Stages, care.Since{Stage: which, At: at})
	}
	return cohort
}

func (l *loader) history(n *node) History {
	f := l.fields(n, "history", "path", "keep")
	return History{
		Path: l.file(f["path"], "history.path"),
		Keep: l.positive(f["keep"], "history.keep", 100*365*24*time.Hour),
	}
}

func (l *loader) mqtt(n *node, site string) MQTT {
	f := l.fields(n, "mqtt", "broker", "username", "password-file", "ca-file", "certificate-file", "key-file", "client-id",
		"root", "commands", "embedded")
	mqtt := MQTT{
		Broker:          l.url(f["broker"], "mqtt.broker", brokerSchemes...),
		Username:        l.text(f["username"], "mqtt.username"),
		PasswordFile:    l.secret(f["password-file"], "mqtt.password-file"),
		CAFile:          l.existing(f["ca-file"], "mqtt.ca-file"),
		CertificateFile: l.existing(f["certificate-file"], "mqtt.certificate-file"),
		KeyFile:         l.secret(f["key-file"], "mqtt.key-file"),
		ClientID:        l.text(f["client-id"], "mqtt.client-id"),
		Root:            strings.TrimSuffix(l.text(f["root"], "mqtt.root"), "/"),
		AllowCommands:   l.boolean(f["commands"], "mqtt.commands"),
	}
	if site != "" && mqtt.Root == "" {
		mqtt.Root = "dewline/" + site
	}
	if site != "" && mqtt.ClientID == "" {
		mqtt.ClientID = "dewline-" + site
	}
	inner := l.fields(f["embedded"], "mqtt.embedded", "listen", "users")
	mqtt.Embedded.Listen = l.listen(inner["listen"], "mqtt.embedded.listen")
	if inner != nil && inner["listen"] == nil {
		l.errorf("mqtt.embedded", "the embedded broker has no address: listen: 127.0.0.1:1883")
	}
	for i, n := range l.items(inner["users"], "mqtt.embedded.users") {
		path := index("mqtt.embedded.users", i)
		f := l.fields(n, path, "name", "password-file", "read", "write")
		mqtt.Embedded.Users = append(mqtt.Embedded.Users, User{
			Name:         l.text(f["name"], join(path, "name")),
			PasswordFile: l.secret(f["password-file"], join(path, "password-file")),
			Read:         l.texts(f["read"], join(path, "read")),
			Write:        l.texts(f["write"], join(path, "write")),
		})
	}
	return mqtt
}

var brokerSchemes = []string{"mqtt", "mqtts", "tcp", "ssl", "tls", "ws", "wss"}

// notifierKeys are the keys of each kind of notifier beside those that all have.
var notifierKeys = map[string][]string{
	"mqtt":    nil,
	"webhook": {"url", "url-file", "token-file", "secret-file", "format", "title-header", "template"},
	"mail":    {"server", "security", "username", "password-file", "from", "to"},
}

func (l *loader) notifier(n *node, path string, local *time.Location) NotifierConfig {
	f := l.fields(n, path, "via", "outlet", "priorities", "after", "style", "quiet", "repeat", "until", "test", "url", "url-file", "token-file", "secret-file", "format",
		"title-header", "template", "server", "security", "username", "password-file", "from", "to")
	via := "via"
	if f["via"] == nil && f["outlet"] != nil { // the key of earlier versions
		via = "outlet"
	}
	kind := l.word(f[via], join(path, via), "notifier", "mqtt", "webhook", "mail")
	switch {
	case f != nil && f[via] == nil:
		l.errorf(path, "this entry does not say by which way: via: mqtt, webhook or mail")
	case via == "via" && f["outlet"] != nil:
		l.errorf(join(path, "outlet"), "outlet is an earlier name of via: give via only")
	case via == "outlet" && kind == "webhook" && f["format"] == nil:
		l.warnf(join(path, "outlet"), "write via: webhook in place of outlet: webhook. It still sends CloudEvents, which programs read: for a person write format: text as well, which via has without it")
	case via == "outlet" && kind != "":
		l.warnf(join(path, "outlet"), "write via: %s in place of outlet: %s, which is an earlier name of the key", kind, kind)
	}
	if kind != "" {
		for other, keys := range notifierKeys {
			for _, key := range keys {
				if other != kind && f[key] != nil {
					l.errorf(join(path, key), "%s is an option of via: %s, not of %s", key, other, kind)
				}
			}
		}
	}
	notifier := NotifierConfig{
		Kind:         kind,
		After:        l.positive(f["after"], join(path, "after"), 24*time.Hour),
		Repeat:       l.positive(f["repeat"], join(path, "repeat"), 7*24*time.Hour),
		Until:        l.word(f["until"], join(path, "until"), "end of repetition", "acknowledged", "cleared"),
		URL:          l.url(f["url"], join(path, "url"), "https", "http"),
		URLFile:      l.secret(f["url-file"], join(path, "url-file")),
		TokenFile:    l.secret(f["token-file"], join(path, "token-file")),
		SecretFile:   l.secret(f["secret-file"], join(path, "secret-file")),
		Server:       l.listen(f["server"], join(path, "server")),
		Security:     l.word(f["security"], join(path, "security"), "security", "starttls", "tls", "none"),
		Username:     l.text(f["username"], join(path, "username")),
		PasswordFile: l.secret(f["password-file"], join(path, "password-file")),
		From:         l.text(f["from"], join(path, "from")),
		To:           l.texts(f["to"], join(path, "to")),
	}
	if kind == "webhook" {
		notifier.Format = l.word(f["format"], join(path, "format"), "format", formats...)
		if f["format"] == nil {
			notifier.Format = map[string]string{"via": "text", "outlet": "cloudevent"}[via]
		}
		notifier.TitleHeader = l.text(f["title-header"], join(path, "title-header"))
		notifier.Template = l.template(f["template"], join(path, "template"))
	}
	// What is for programs gets everything, unless the file says otherwise.
	style := l.word(f["style"], join(path, "style"), "style", "incident", "every")
	notifier.Every = style == "every" || style == "" && notifier.Format == "cloudevent"
	quietHours := func(text string) (hours, error) { return parseHours("quiet hours", text) }
	if quiet, ok := parsed(l.decoder, f["quiet"], join(path, "quiet"), quietHours); ok {
		notifier.Quiet = &care.Light{Location: local, From: quiet.from, To: quiet.to}
	}
	weekly := func(text string) (instant.Weekly, error) { return parseWeekly("test", text, local) }
	if test, ok := parsed(l.decoder, f["test"], join(path, "test"), weekly); ok {
		notifier.Test = &test
	}
	priorities := join(path, "priorities")
	for i, name := range l.texts(f["priorities"], priorities) {
		p, ok := care.ParsePriority(name)
		if !ok {
			l.errorf(index(priorities, i), "%s", UnknownWord("priority", name, priorityNames))
			continue
		}
		notifier.Priorities = append(notifier.Priorities, p)
	}
	if f["priorities"] == nil {
		notifier.Priorities = []care.Priority{care.LowPriority, care.MediumPriority, care.HighPriority, care.CriticalPriority}
	}
	if notifier.Repeat > 0 && f["until"] == nil {
		notifier.Until = "acknowledged"
	}
	if kind == "mail" && f["security"] == nil {
		notifier.Security = "starttls"
	}
	// A value that was given and refused must not be reported as missing as well.
	if f["url"] != nil && notifier.URL == "" && notifier.URLFile == "" {
		notifier.URL = refused
	}
	if f["server"] != nil && notifier.Server == "" {
		notifier.Server = refused
	}
	return notifier
}

// refused replaces a value that was reported as wrong, in a model that is never returned.
const refused = "(refused)"

// digest reads {at: "19:00"}.
func (l *loader) digest(n *node, local *time.Location) *instant.Daily {
	f := l.fields(n, "digest", "at")
	if f == nil {
		return nil
	}
	text := l.text(f["at"], "digest.at")
	if text == "" {
		l.errorf("digest", `the digest has no hour: give one, such as at: "19:00"`)
		return nil
	}
	minutes, err := parseTimeOfDay(text)
	if err == nil && minutes == 24*60 {
		err = fmt.Errorf("time of day %s: the day ends then: give 00:00", quoted(text))
	}
	if err != nil {
		l.errorf("digest.at", "%s", err)
		return nil
	}
	return &instant.Daily{Minutes: minutes, Location: local}
}

func (l *loader) heartbeat(n *node) Heartbeat {
	f := l.fields(n, "heartbeat", "url", "url-file", "every")
	heartbeat := Heartbeat{
		URL:     l.url(f["url"], "heartbeat.url", "https", "http"),
		URLFile: l.secret(f["url-file"], "heartbeat.url-file"),
		Every:   l.positive(f["every"], "heartbeat.every", 24*time.Hour),
	}
	if f != nil && f["url"] == nil && f["url-file"] == nil {
		l.errorf("heartbeat", "the heartbeat has no address: url: https://…, or url-file where the address is a secret")
	}
	heartbeat.Every = cmp.Or(heartbeat.Every, 5*time.Minute)
	return heartbeat
}
