package systemd_test

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// highestExposure is what the unit may be rated by systemd-analyze security, from 0 (sealed) to 10.
const highestExposure = 1.5

// tool finds one of systemd's programs.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	require.NoError(t, err, "this test needs %s: apt-get install systemd", name)
	return path
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	command := exec.CommandContext(t.Context(), tool(t, name), args...)
	command.Env = append(os.Environ(), "LC_ALL=C", "SYSTEMD_COLORS=0", "SYSTEMD_EMOJI=0", "SYSTEMD_PAGER=")
	output, err := command.CombinedOutput()
	require.NoError(t, err, "%s %s:\n%s", name, strings.Join(args, " "), output)
	return string(output)
}

func TestExposure(t *testing.T) {
	output := run(t, "systemd-analyze", "security", "--no-pager", "--offline=true", "dewline.service")
	found := regexp.MustCompile(`Overall exposure level for dewline\.service: ([0-9]+\.[0-9]+)`).FindStringSubmatch(output)
	require.Len(t, found, 2, "no figure in:\n%s", output)
	exposure, err := strconv.ParseFloat(found[1], 64)
	require.NoError(t, err)
	assert.LessOrEqual(t, exposure, highestExposure, "%s", output)
}

// systemd finds nothing to say about the unit. It looks whether the program is there, so that another has to stand in.
func TestUnitIsUnderstood(t *testing.T) {
	unit, err := os.ReadFile("dewline.service")
	require.NoError(t, err)
	program, err := os.Executable()
	require.NoError(t, err)
	const installed = "ExecStart=/usr/bin/dewline "
	require.Equal(t, 1, strings.Count(string(unit), installed))
	path := filepath.Join(t.TempDir(), "dewline.service")
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(unit), installed, "ExecStart="+program+" ", 1)), 0o644))
	assert.Empty(t, run(t, "systemd-analyze", "verify", path))

	// That it would have something to say about a slip.
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(unit), "WatchdogSec=", "WatchdogSecs=", 1)), 0o644))
	output, _ := exec.CommandContext(t.Context(), tool(t, "systemd-analyze"), "verify", path).CombinedOutput()
	assert.Contains(t, string(output), "WatchdogSecs")
}

// settings reads the keys of a section. A key that is given more than once has all its values.
func settings(t *testing.T, section string) map[string][]string {
	t.Helper()
	file, err := os.Open("dewline.service")
	require.NoError(t, err)
	defer file.Close()
	found := map[string][]string{}
	inside := ""
	for lines := bufio.NewScanner(file); lines.Scan(); {
		line := strings.TrimSpace(lines.Text())
		switch {
		case line == "" || strings.HasPrefix(line, "#"):
		case strings.HasPrefix(line, "["):
			inside = strings.Trim(line, "[]")
		case inside == section:
			key, value, ok := strings.Cut(line, "=")
			require.True(t, ok, line)
			found[key] = append(found[key], value)
		}
	}
	return found
}

// What keeps the watch going, and what the sensors need: a change here is to be meant.
func TestPromises(t *testing.T) {
	unit, service := settings(t, "Unit"), settings(t, "Service")
	for key, want := range map[string]string{
		"Type": "notify", "NotifyAccess": "main", "WatchdogSec": "60", "Restart": "always", "RestartSec": "5",
		"ExecReload": "/bin/sh -c 'kill -HUP $MAINPID'", "User": "dewline", "StateDirectory": "dewline", "RuntimeDirectory": "dewline",
		"SupplementaryGroups": "i2c", "DeviceAllow": "char-i2c rw", "ReadWritePaths": "-/sys/devices", "UMask": "0077",
	} {
		assert.Equal(t, []string{want}, service[key], key)
	}
	assert.Equal(t, []string{"0"}, unit["StartLimitIntervalSec"], "it never gives up")
	for _, key := range []string{"Requires", "Wants", "BindsTo"} {
		assert.Empty(t, unit[key], "it must start without a network, a broker and whatever else may be missing")
	}
	// The question whether the clock is synchronised is adjtimex(2), which ProtectClock= would forbid.
	assert.Empty(t, service["ProtectClock"])
	filters := service["SystemCallFilter"]
	require.NotEmpty(t, filters)
	assert.Contains(t, strings.Fields(filters[len(filters)-1]), "adjtimex", "allowed after everything that takes it away")
	for _, name := range []string{"all_proxy", "http_proxy", "https_proxy"} {
		assert.Contains(t, strings.Fields(service["UnsetEnvironment"][0]), name)
		assert.Contains(t, strings.Fields(service["UnsetEnvironment"][0]), strings.ToUpper(name))
	}
	var buses []string
	for n := range 128 {
		buses = append(buses, "-/dev/i2c-"+strconv.Itoa(n))
	}
	assert.Equal(t, buses, strings.Fields(strings.Join(service["BindPaths"], " ")), "and absent buses are no failure")
	assert.Empty(t, service["LoadCredential"], "examples are comments: a credential that is missing keeps a unit from starting")
}

// credential is how the unit's examples hand a secret over, and credentialPath where a configuration then finds it.
var (
	credential     = regexp.MustCompile(`(?m)^#LoadCredential=([a-z-]+):/etc/dewline/secrets/([a-z-]+)$`)
	credentialPath = regexp.MustCompile(`/run/credentials/([^/\s]+)/([a-z-]+)`)
)

// Every secret that a shipped configuration or a text names lies where the unit's examples put it, and every secret that a
// keeper may need is among these.
func TestExamplesFindTheirCredentials(t *testing.T) {
	unit, err := os.ReadFile("dewline.service")
	require.NoError(t, err)
	given := map[string]bool{}
	for _, found := range credential.FindAllStringSubmatch(string(unit), -1) {
		assert.Equal(t, found[1], found[2], "the file is called like the credential")
		given[found[1]] = true
	}
	for _, name := range []string{"mqtt", "webhook", "webhook-token", "mail", "heartbeat"} {
		assert.True(t, given[name], name)
	}
	named := 0
	for _, pattern := range []string{"*.service", "../README.md", "../DEVELOPERS.md", "../configs/*.yaml", "../configs/*/*.md", "../configs/*/*.conf"} {
		files, err := filepath.Glob(pattern)
		require.NoError(t, err)
		for _, file := range files {
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			for _, found := range credentialPath.FindAllStringSubmatch(string(text), -1) {
				named++
				assert.Equal(t, "dewline.service", found[1], "%s: %s", file, found[0])
				assert.True(t, given[found[2]], "%s names %s, and no LoadCredential= of the unit gives it", file, found[0])
			}
		}
	}
	assert.GreaterOrEqual(t, named, 5)
}

// The user and every group that the unit names are made, in a system that has none of them.
func TestUserAndGroupsAreMade(t *testing.T) {
	root := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(root, "etc"), 0o755))
	definition, err := filepath.Abs("dewline.sysusers")
	require.NoError(t, err)
	run(t, "systemd-sysusers", "--root="+root, definition)
	names := func(file string) []string {
		data, err := os.ReadFile(filepath.Join(root, "etc", file))
		require.NoError(t, err)
		var names []string
		for line := range strings.Lines(string(data)) {
			name, _, _ := strings.Cut(line, ":")
			names = append(names, name)
		}
		return names
	}
	service := settings(t, "Service")
	assert.Equal(t, service["User"], names("passwd"))
	groups := names("group")
	for _, group := range append(strings.Fields(service["SupplementaryGroups"][0]), service["Group"]...) {
		assert.True(t, slices.Contains(groups, group), group)
	}
}
