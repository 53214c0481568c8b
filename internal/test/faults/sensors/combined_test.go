package sensors_test

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/test/harness"
)

const combinedSite = `
site: north-loft
timezone: Europe/Lisbon
places:
  - id: loft
    kind: room
    bands:
      air-temperature: {high: 26 °C, critical-high: 30 °C, on-delay: 1m, off-delay: 1m}
      relative-humidity: {low: 50 %, on-delay: 1m}
sensors:
  - {id: loft-air, driver: hwmon, name: sht4x, every: 1m, gap: 1h, stale-after: 2h, feeds: {temperature: loft/air-temperature, humidity: loft/relative-humidity}}
web: {listen: "WEB"}
control: {socket: SOCKET}
notify: [{via: webhook, url: "PHONE", format: text, priorities: [high, critical]}]
`

// phone is a push service that keeps what it is sent.
type phone struct {
	mu    sync.Mutex
	texts []string
}

func (p *phone) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	text, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.texts = append(p.texts, string(text))
}

// got returns the first text that has all of the words; "" where there is none.
func (p *phone) got(words ...string) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, text := range p.texts {
		all := true
		for _, word := range words {
			all = all && strings.Contains(text, word)
		}
		if all {
			return text
		}
	}
	return ""
}

// The program itself, with a combined part whose humidity is stuck: that silences no alarm of its temperature. When the temperature has
// been in fault and comes back critical before it is trusted again, the message goes out and says that its sensor is in doubt.
func TestProgramWithAPartThatIsHalfBroken(t *testing.T) {
	push := &phone{}
	server := httptest.NewServer(push)
	t.Cleanup(server.Close)
	h := harness.New(t, harness.Options{Site: strings.ReplaceAll(combinedSite, "PHONE", server.URL), Start: time.Date(2026, 7, 14, 11, 0, 0, 0, time.UTC), Pace: 120})
	part := filepath.Join(h.Folder, "sys/class/hwmon/hwmon1")
	show := func(file string, thousandths int) {
		path := filepath.Join(part, file)
		require.NoError(t, os.WriteFile(path+".new", fmt.Appendf(nil, "%d\n", thousandths), 0o644))
		require.NoError(t, os.Rename(path+".new", path))
	}
	show("temp1_input", 23000)
	show("humidity1_input", 80000) // and never anything else
	h.Start()
	const tooWarm, stuck, wild = "loft/air-temperature/critical-high", "sensor/loft-air/humidity/fault", "sensor/loft-air/fault"
	n := 0
	h.Wait("the fault of the humidity", func() bool {
		n++
		show("temp1_input", 23000+n%7) // a temperature that lives
		return h.Letter(stuck) == "B"
	})
	assert.Contains(t, h.Alarm(stuck).Reason, "humidity")
	assert.Equal(t, "A", h.Letter(wild))
	assert.Equal(t, "H", h.Letter("loft/relative-humidity/low"), "suppressed by design")

	show("temp1_input", 31000)
	h.Wait("the heat", func() bool { return h.Letter(tooWarm) == "B" })
	h.Wait("the message", func() bool { return push.got("87.8", "critical") != "" || push.got("31.0 °C") != "" })
	assert.NotContains(t, push.got("31.0 °C"), "Its sensor is in doubt", "the temperature of the part is not")

	show("temp1_input", 23000)
	h.Wait("the end of the heat", func() bool { return !h.Alarm(tooWarm).Active })
	show("temp1_input", 250000)
	h.Wait("the fault of the temperature", func() bool { return h.Letter(wild) == "B" })
	show("temp1_input", 33000)
	h.Wait("the heat again", func() bool { return h.Alarm(tooWarm).Active })
	assert.Contains(t, h.Alarm(tooWarm).Doubt, "temperature")
	h.Wait("the message that says so", func() bool { return push.got("33.0 °C", "Its sensor is in doubt") != "" })
	assert.Equal(t, "B", h.Letter(wild), "it is trusted again only after ten minutes")
}
