package config

import (
	"fmt"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/internal/core/quantity"
	"dewline/internal/format/timetext"
	"dewline/sensors"
)

// decoder turns nodes into the model. A method that reads a bad value reports the problem and returns a zero value and
// false; a node that is nil or null is absent, which is never a problem of its own.
type decoder struct {
	reporter
}

// fields are the values of a mapping by key; absent and null values are left out.
type fields map[string]*node

// fields reads a mapping whose keys are all among the known ones.
func (d *decoder) fields(n *node, path string, known ...string) fields {
	if !d.is(n, path, mapping) {
		return nil
	}
	found := fields{}
	for _, e := range n.entries {
		if key := hyphened(e.key); key != e.key && slices.Contains(known, key) && !d.respell(&e, path, n) {
			continue
		}
		inner := join(path, e.key)
		if !slices.Contains(known, e.key) {
			d.origins[inner] = e.at
			d.errorf(inner, "%s", UnknownWord("key", e.key, known))
			continue
		}
		switch e.value.kind {
		case nothing:
			continue
		case scalar:
			d.origins[inner] = e.value.at
		default: // a problem of a whole mapping or list is reported at its key
			d.origins[inner] = e.at
		}
		found[e.key] = e.value
	}
	return found
}

// anyFields reads a mapping with keys of its writer's choice, in the order of the file.
func (d *decoder) anyFields(n *node, path string) []entry {
	if !d.is(n, path, mapping) {
		return nil
	}
	var entries []entry
	for _, e := range n.entries {
		if hyphened(e.key) != e.key && !d.respell(&e, path, n) {
			continue
		}
		d.origins[join(path, e.key)] = e.at
		entries = append(entries, e)
	}
	return entries
}

// hyphened is how a key is spelled now: earlier versions had underscores in some.
func hyphened(key string) string { return strings.ReplaceAll(key, "_", "-") }

// respell gives an entry of n whose key has an underscore its present spelling, with a warning. It returns false where n has the
// key in that spelling too, which then holds.
func (d *decoder) respell(e *entry, path string, n *node) bool {
	key, inner := hyphened(e.key), join(path, e.key)
	twice := n.entry(key) != nil
	if twice && e.merged {
		return false // replaced, as it may be
	}
	d.origins[inner] = e.at
	if twice {
		d.errorf(inner, "%s and %s are the same key: keep %[2]s only", e.key, key)
		return false
	}
	d.warnf(inner, "%s is spelled %s now; the old spelling is still read", e.key, key)
	e.key = key
	return true
}

// items reads a list. Where a list of words is wanted, a single word will do: see [decoder.texts].
func (d *decoder) items(n *node, path string) []*node {
	if !d.is(n, path, list) {
		return nil
	}
	for i, item := range n.items {
		d.origins[index(path, i)] = item.at
	}
	return n.items
}

// is reports whether a node is present and of the kind wanted.
func (d *decoder) is(n *node, path string, want kind) bool {
	if n == nil || n.kind == nothing {
		return false
	}
	if _, known := d.origins[path]; !known {
		d.origins[path] = n.at
	}
	if n.kind != want {
		d.errorf(path, "%s is wanted here, and this is %s", want, n.kind)
		return false
	}
	return true
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func index(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }

// text reads a single value as it is written.
func (d *decoder) text(n *node, path string) string {
	if !d.is(n, path, scalar) {
		return ""
	}
	return strings.TrimSpace(n.text)
}

// texts reads a list of single values, or one single value as a list of one.
func (d *decoder) texts(n *node, path string) []string {
	if n != nil && n.kind == scalar {
		return []string{d.text(n, path)}
	}
	var texts []string
	for i, item := range d.items(n, path) {
		if item.kind == nothing {
			d.errorf(index(path, i), "an entry of this list is empty")
			continue
		}
		if text := d.text(item, index(path, i)); text != "" {
			texts = append(texts, text)
		}
	}
	return texts
}

// id reads an id and checks its letters. The text is returned even where it is not good, so that references to it are
// not reported as well.
func (d *decoder) id(n *node, path string) string {
	text := d.text(n, path)
	if text == "" {
		return ""
	}
	if err := CheckID(text); err != nil {
		d.errorf(path, "%s", err)
	}
	return text
}

// CheckID returns an error unless text is an id, with one that would do where there is one.
func CheckID(text string) error {
	err := quantity.CheckID(text)
	if better := asID(text); err != nil && better != "" {
		return fmt.Errorf("%w: %q would do", err, better)
	}
	return err
}

// asID makes an id out of a name, or returns "" if no character of it can stay.
func asID(name string) string {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9')
	})
	id := strings.Join(words, "-")
	if quantity.CheckID(id) != nil {
		return ""
	}
	return id
}

// word reads one of a few words.
func (d *decoder) word(n *node, path, kind string, known ...string) string {
	text := d.text(n, path)
	if text == "" {
		return ""
	}
	if !slices.Contains(known, text) {
		d.errorf(path, "%s", UnknownWord(kind, text, known))
		return ""
	}
	return text
}

// commonWord reads one of a few words, or another that people use for one of them.
func (d *decoder) commonWord(n *node, path, kind string, common map[string]string, known ...string) string {
	if n != nil && n.kind == scalar {
		if meant, ok := common[strings.ToLower(strings.TrimSpace(n.text))]; ok {
			return meant
		}
	}
	return d.word(n, path, kind, known...)
}

// What people write for the words of a configuration.
var (
	kindOfPlace = map[string]string{
		"tub": "enclosure", "tank": "enclosure", "vivarium": "enclosure", "terrarium": "enclosure", "aquarium": "enclosure",
		"paludarium": "enclosure", "shelf": "enclosure", "rack": "enclosure", "box": "enclosure", "pond": "enclosure",
	}
	scaleOf = map[string]string{
		"c": "celsius", "°c": "celsius", "degc": "celsius", "cel": "celsius", "f": "fahrenheit", "°f": "fahrenheit", "degf": "fahrenheit",
	}
)

// Scale returns the word of a configuration for the scale that people call "F", "°C" and alike; other words as they are.
func Scale(text string) string {
	if meant, ok := scaleOf[strings.ToLower(text)]; ok {
		return meant
	}
	return strings.ToLower(text)
}

func (d *decoder) boolean(n *node, path string) bool {
	text := d.text(n, path)
	switch text {
	case "", "false":
		return false
	case "true":
		return true
	}
	hint := ""
	switch strings.ToLower(text) {
	case "yes", "on", "y", "1", "true":
		hint = ": write true"
	case "no", "off", "n", "0", "false":
		hint = ": write false"
	}
	d.errorf(path, "true or false is wanted here, and this is %s%s", quoted(text), hint)
	return false
}

// parsed reads a single value with a parser whose errors are for the keeper.
func parsed[V any](d *decoder, n *node, path string, parse func(text string) (V, error)) (value V, ok bool) {
	text := d.text(n, path)
	if text == "" {
		return value, false
	}
	read, err := parse(text)
	if err != nil {
		d.errorf(path, "%s", err)
		return value, false
	}
	return read, true
}

// duration reads a length of time of at least one millisecond.
func (d *decoder) duration(n *node, path string) (time.Duration, bool) {
	return parsed(d, n, path, timetext.ParseDuration)
}

// positive reads a duration longer than zero and no longer than longest.
func (d *decoder) positive(n *node, path string, longest time.Duration) time.Duration {
	length, ok := d.duration(n, path)
	switch {
	case !ok:
		return 0
	case length == 0:
		d.errorf(path, "the duration must be longer than 0")
		return 0
	case length > longest:
		d.errorf(path, "%s is longer than the %s that make sense here", formatDuration(length), formatDuration(longest))
		return 0
	}
	return length
}

// number reads a value or a difference of a quantity with its unit.
func (d *decoder) number(n *node, path string, q quantity.Quantity, parse func(quantity.Quantity, string) (float64, error)) (float64, bool) {
	return parsed(d, n, path, func(text string) (float64, error) {
		value, err := parse(q, text)
		return value, withUnitHint(err, text)
	})
}

// withUnitHint adds to an error on a text what unit may have been meant; nil stays nil.
func withUnitHint(err error, text string) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w%s", err, unitHint(text))
}

// unitSpellings are offered where a unit is not understood.
var unitSpellings = []string{"degF", "degC", "Cel", "°F", "°C", "K", "%RH", "%", "Pa", "hPa", "kPa", "mbar", "g/m3", "kg/m3", "mg/L"}

// numberAndUnit parts one number, or the two of an interval, from the unit behind.
var numberAndUnit = regexp.MustCompile(`^\s*(?:[+−-]?[0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?\s*(?:–|—|-|to|\.\.)?\s*){1,2}([^\s0-9.].*)$`)

// unitHint offers a unit close to the one at the end of text, where that one is none.
func unitHint(text string) string {
	parts := numberAndUnit.FindStringSubmatch(text)
	if parts == nil {
		return ""
	}
	unit := strings.TrimSpace(parts[1])
	if _, err := quantity.ParseUnit(unit); err == nil {
		return ""
	}
	if near := nearest(unit, unitSpellings); near != "" {
		return fmt.Sprintf(": did you mean %q?", near)
	}
	return " (units are degF, degC, K, %RH, Pa, hPa, kPa, g/m3, mg/L)"
}

// whole reads a whole number, decimal or with 0x in front.
func (d *decoder) whole(n *node, path string, lowest, highest uint64) (uint64, bool) {
	text := d.text(n, path)
	if text == "" {
		return 0, false
	}
	value, err := strconv.ParseUint(text, 0, 32)
	if err != nil || value < lowest || value > highest {
		d.errorf(path, "a whole number from %d to %d is wanted here, and this is %s", lowest, highest, quoted(text))
		return 0, false
	}
	return value, true
}

// url reads an address with one of the schemes. Credentials inside an address would be printed with it, so they are
// refused.
func (d *decoder) url(n *node, path string, schemes ...string) string {
	text := d.text(n, path)
	if text == "" {
		return ""
	}
	parsed, err := url.Parse(text)
	switch {
	case err != nil || parsed.Host == "" || parsed.Hostname() == "":
		d.errorf(path, "this is not an address such as %s://host.example:port", schemes[0])
	case !slices.Contains(schemes, parsed.Scheme):
		d.errorf(path, "%s", UnknownWord("scheme", parsed.Scheme, schemes))
	case parsed.User != nil:
		d.errorf(path, "credentials do not belong into an address, which is printed and logged: use username and password-file, or a file for the whole address")
	default:
		return text
	}
	return ""
}

// listen reads host:port of a listener.
func (d *decoder) listen(n *node, path string) string {
	address, _ := parsed(d, n, path, func(text string) (string, error) {
		_, _, err := splitHostPort(text)
		return text, err
	})
	return address
}

// splitHostPort parts host:port; the host may be empty, the port is a number.
func splitHostPort(text string) (host string, port uint16, err error) {
	at := strings.LastIndexByte(text, ':')
	bad := fmt.Errorf("%s is not of the form host:port, such as 127.0.0.1:8420", quoted(text))
	if at < 0 {
		return "", 0, bad
	}
	number, err := strconv.ParseUint(text[at+1:], 10, 16)
	if err != nil {
		return "", 0, bad
	}
	host = text[:at]
	if inner, ok := strings.CutPrefix(host, "["); ok {
		inner, ok = strings.CutSuffix(inner, "]")
		if _, err := netip.ParseAddr(inner); !ok || err != nil {
			return "", 0, bad
		}
		return inner, uint16(number), nil
	}
	if strings.ContainsAny(host, ":/[]@ \t") {
		return "", 0, bad
	}
	return host, uint16(number), nil
}

// loopback reports whether a host can be reached from this machine only.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	address, err := netip.ParseAddr(host)
	return err == nil && address.IsLoopback()
}

// perChannel reads a mapping from channel to value.
func perChannel[V any](d *decoder, n *node, path string, read func(*node, string, sensors.Channel) (V, bool)) map[sensors.Channel]V {
	var values map[sensors.Channel]V
	for _, e := range d.anyFields(n, path) {
		inner := join(path, e.key)
		channel := sensors.Channel(e.key)
		if channel.Unit() == "" {
			d.errorf(inner, "%s", UnknownWord("channel", e.key, channelNames(feedable)))
			continue
		}
		if quantityOf(channel) == quantity.None {
			d.errorf(inner, "channel %s belongs to no quantity that dewline watches", channel)
			continue
		}
		if e.value.kind != nothing {
			d.origins[inner] = e.value.at
		}
		if value, ok := read(e.value, inner, channel); ok {
			if values == nil {
				values = map[sensors.Channel]V{}
			}
			values[channel] = value
		}
	}
	return values
}

// feedable are the channels that can feed a quantity.
var feedable = []sensors.Channel{sensors.Temperature, sensors.Humidity, sensors.Pressure}
