package mqtt

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"strings"
)

// ports are the registered ones: 1883 and 8883 for MQTT, those of HTTP for WebSocket.
var ports = map[string]string{"mqtt": "1883", "mqtts": "8883", "ws": "80", "wss": "443"}

// ParseBroker reads the address of a broker: mqtt:// (or tcp://), mqtts:// (or ssl://, tls://), ws:// and wss://, with a
// host and an optional port. A WebSocket address may have a path and otherwise gets /mqtt. A user in the address is
// refused: addresses get into logs.
func ParseBroker(address string) (*url.URL, error) {
	u, err := url.Parse(address)
	if err != nil {
		// The parser's error repeats the address, and with it a password someone may have put there.
		return nil, errors.New("mqtt: the broker's address is not of the form mqtt://host:port")
	}
	switch u.Scheme {
	case "tcp":
		u.Scheme = "mqtt"
	case "ssl", "tls":
		u.Scheme = "mqtts"
	}
	port, known := ports[u.Scheme]
	switch {
	case u.User != nil:
		return nil, errors.New("mqtt: write the user as username and password-file, not into the broker's address")
	case !known:
		return nil, fmt.Errorf("mqtt: broker address %q must begin with mqtt://, mqtts://, ws:// or wss://", address)
	case u.Hostname() == "":
		return nil, fmt.Errorf("mqtt: broker address %q has no host", address)
	case strings.Contains(u.Hostname(), ":") && !strings.HasPrefix(u.Host, "["):
		return nil, fmt.Errorf("mqtt: broker address %q has too many colons: an IPv6 address stands in brackets", address)
	case strings.ContainsFunc(u.Hostname(), notInHosts):
		return nil, fmt.Errorf("mqtt: broker address %q: the host has characters that no host name has", address)
	case u.RawQuery != "" || u.Fragment != "":
		return nil, fmt.Errorf("mqtt: broker address %q must end after the port or path", address)
	}
	if u.Port() != "" {
		port = u.Port()
		if n, err := strconv.ParseUint(port, 10, 16); err != nil || n == 0 {
			return nil, fmt.Errorf("mqtt: broker address %q: port %s is not between 1 and 65535", address, port)
		}
	}
	u.Host = net.JoinHostPort(u.Hostname(), port)
	web := strings.HasPrefix(u.Scheme, "ws")
	switch {
	case web && (u.Path == "" || u.Path == "/"):
		u.Path = "/mqtt"
	case !web && strings.Trim(u.Path, "/") != "":
		return nil, fmt.Errorf("mqtt: broker address %q: a path is for ws:// and wss:// only", address)
	case !web:
		u.Path = ""
	}
	return u, nil
}

// notInHosts lists which characters neither a name, nor an address, nor the zone of one has (RFC 3986 section 3.2.2, RFC 6874).
func notInHosts(r rune) bool {
	return r <= ' ' || r >= 0x7f || strings.ContainsRune("\"<>\\^`{|}/?#@", r)
}

// loopback reports whether a host is this machine by its name alone; nothing is looked up.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
