package mosquitto_test

import (
	"os/exec"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/test/mosquitto"
)

// publish sends one retained message with mosquitto's own client and returns its exit state.
func publish(t *testing.T, b *mosquitto.Broker, args ...string) error {
	t.Helper()
	args = append([]string{"-h", b.Host, "-p", strconv.Itoa(b.Port), "-t", "a/b", "-m", "x", "-q", "1", "-r"}, args...)
	out, err := exec.Command(mosquitto.Find(t, "mosquitto_pub"), args...).CombinedOutput()
	t.Logf("%s", out)
	return err
}

func TestPlainBrokerLetsEverybodyIn(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	require.NoError(t, publish(t, b))
	b.Kill()
	require.Error(t, publish(t, b), "a killed broker takes nothing")
	b.Restart()
	require.NoError(t, publish(t, b))
	assert.Contains(t, b.URL, "mqtt://127.0.0.1:")
}

func TestUsersAreAskedForTheirPassword(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"keeper": "frog"}})
	require.Error(t, publish(t, b))
	require.Error(t, publish(t, b, "-u", "keeper", "-P", "toad"))
	require.NoError(t, publish(t, b, "-u", "keeper", "-P", "frog"))
}

func TestTLSWithClientCertificate(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{ClientCertificate: true})
	require.Error(t, publish(t, b, "--cafile", b.CAFile))
	require.NoError(t, publish(t, b, "--cafile", b.CAFile, "--cert", b.CertFile, "--key", b.KeyFile))
	assert.Contains(t, b.URL, "mqtts://")
}
