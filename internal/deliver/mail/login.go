package mail

import (
	"errors"
	"fmt"
	"net/smtp"
	"slices"
	"strings"
)

// login picks the way to log in, out of those that the server offers (RFC 4954). In clear that one comes first which does not show the
// password. The library's own PLAIN is not for a server that the keeper has chosen to reach in clear.
func (m *Mail) login(c *connection, password string) (smtp.Auth, error) {
	_, offer := c.Extension("AUTH")
	offered := strings.Fields(strings.ToUpper(offer))
	switch {
	case m.o.Security == None && slices.Contains(offered, "CRAM-MD5"):
		return smtp.CRAMMD5Auth(m.o.Username, password), nil
	case slices.Contains(offered, "PLAIN"): // RFC 4616
		return &answers{way: "PLAIN", first: []byte("\x00" + m.o.Username + "\x00" + password)}, nil
	case slices.Contains(offered, "LOGIN"):
		return &answers{way: "LOGIN", later: []string{m.o.Username, password}}, nil
	}
	return nil, fmt.Errorf("it offers %q to log in, and neither PLAIN nor LOGIN", offer)
}

// answers is a login that answers the questions of the server in their order, whatever their words.
type answers struct {
	way   string
	first []byte
	later []string
}

// Start implements smtp.Auth.
func (a *answers) Start(*smtp.ServerInfo) (string, []byte, error) { return a.way, a.first, nil }

// Next implements smtp.Auth.
func (a *answers) Next(_ []byte, more bool) ([]byte, error) {
	if !more {
		return nil, nil
	}
	if len(a.later) == 0 {
		return nil, errors.New("the server asks for more than user name and password")
	}
	answer := a.later[0]
	a.later = a.later[1:]
	return []byte(answer), nil
}
