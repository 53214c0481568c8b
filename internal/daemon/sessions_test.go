package daemon_test

import (
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/server/auth"
)

// A login survives a restart as long as the configuration has the user; a logout does too.
func TestSessionsSurviveARestart(t *testing.T) {
	folder := t.TempDir()
	hash, err := auth.NewHash("damp moss and oak")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(folder, "ines.hash"), []byte(hash.String()), 0o600))
	tree := newProbeTree(t)
	start := time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC)
	users := strings.Replace(keptSite, `web: {listen: "127.0.0.1:0"}`,
		`web: {listen: "127.0.0.1:0", users: [{name: ines, role: operator, password-hash-file: ines.hash}]}`, 1)

	browser := func(r *running) *http.Client {
		jar, err := cookiejar.New(nil)
		require.NoError(t, err)
		client := &http.Client{Jar: jar}
		response, err := client.PostForm("http://"+r.at.Web+"/login", url.Values{"name": {"ines"}, "password": {"damp moss and oak"}})
		require.NoError(t, err)
		require.NoError(t, response.Body.Close())
		return client
	}
	status := func(client *http.Client, r *running) int {
		response, err := client.Get("http://" + r.at.Web + "/api/now")
		require.NoError(t, err)
		require.NoError(t, response.Body.Close())
		return response.StatusCode
	}
	first := beginAt(t, folder, start, 1, tree.root, users)
	stays, leaves := browser(first), browser(first)
	require.Equal(t, 200, status(stays, first))
	response, err := leaves.PostForm("http://"+first.at.Web+"/logout", nil)
	require.NoError(t, err)
	require.NoError(t, response.Body.Close())
	first.stop()

	second := beginAt(t, folder, start.Add(time.Hour), 1, tree.root, users)
	assert.Equal(t, 200, status(stays, second))
	assert.Equal(t, 401, status(leaves, second))
	second.stop()

	hash, err = auth.NewHash("another password")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(folder, "ines.hash"), []byte(hash.String()), 0o600))
	third := beginAt(t, folder, start.Add(2*time.Hour), 1, tree.root, users)
	assert.Equal(t, 401, status(stays, third), "the password was changed")
}
