package main

import (
	"bufio"
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The monitor says who it is, answers each request, and reports events between them.
func TestMonitorIsAsked(t *testing.T) {
	const greeting, event = `{"QMP": {"version": {}}}`, `{"timestamp": {}, "event": "RTC_CHANGE"}`
	for name, c := range map[string]struct {
		lines  []string // the greeting, then what follows each request
		answer string
		err    string
	}{
		"done":                  {[]string{greeting, `{"return": {}}`, `{"return": ""}`}, "", ""},
		"refused by the device": {[]string{greeting, `{"return": {}}`, `{"return": "Error: no such device"}`}, "Error: no such device", ""},
		"events between":        {[]string{greeting + "\n" + event, event + "\n" + `{"return": {}}`, event + "\n" + `{"return": ""}`}, "", ""},
		"refused by the monitor": {[]string{greeting, `{"return": {}}`, `{"error": {"class": "CommandNotFound"}}`},
			"", `the monitor: {"class": "CommandNotFound"}`},
		"not of its form": {[]string{"hello"}, "", "invalid character"},
		"gone":            {[]string{greeting, `{"return": {}}`}, "", "EOF"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "monitor")
			listener, err := net.Listen("unix", path)
			require.NoError(t, err)
			defer listener.Close()
			requests := make(chan string, 2)
			go func() {
				defer close(requests)
				peer, err := listener.Accept()
				if err != nil {
					return
				}
				defer peer.Close()
				asked := bufio.NewScanner(peer)
				for i, line := range c.lines {
					if i > 0 {
						if !asked.Scan() {
							return
						}
						requests <- asked.Text()
					}
					fmt.Fprintln(peer, line)
				}
				asked.Scan() // the next request, or its end
			}()
			answer, err := ask(path, "qom-set /machine/peripheral/tub-1 temperature 29000")
			assert.Equal(t, c.answer, answer)
			if c.err != "" {
				assert.ErrorContains(t, err, c.err)
				return
			}
			require.NoError(t, err)
			assert.Contains(t, <-requests, "qmp_capabilities")
			assert.Contains(t, <-requests, "temperature 29000")
		})
	}
}

func TestPartsAreSpreadOverChannels(t *testing.T) {
	for _, c := range []struct {
		channels, each int
		want           []string // those behind the multiplexer
	}{
		{0, 3, nil},
		{2, 1, []string{"0x4c,bus=i2c.0,id=tub-3", "0x4c,bus=i2c.1,id=tub-4"}},
		{2, 2, []string{"0x4c,bus=i2c.0,id=tub-3", "0x4d,bus=i2c.0,id=tub-4", "0x4c,bus=i2c.1,id=tub-5", "0x4d,bus=i2c.1,id=tub-6"}},
	} {
		var behind []string
		for _, part := range parts(c.channels, c.each) {
			if rest, ok := strings.CutPrefix(part, "tmp105,address="); ok && strings.Contains(rest, "bus=") {
				behind = append(behind, rest)
			}
		}
		assert.Equal(t, c.want, behind)
	}
}

func TestBoardPassesWhereItSaysSo(t *testing.T) {
	assert.NoError(t, passed(life{console: []string{"step: started", "passed"}}))
	assert.Error(t, passed(life{console: []string{"step: passed the door"}}))
	assert.Error(t, passed(life{}))
}

func TestOnlyModulesHaveDependencies(t *testing.T) {
	_, err := dependencies("/proc/self/exe")
	assert.ErrorContains(t, err, "is no module")
	_, err = dependencies("machine.go")
	assert.Error(t, err)
	_, err = modules(t.TempDir(), "i2c-dev")
	assert.ErrorContains(t, err, "no module i2c_dev")
}
