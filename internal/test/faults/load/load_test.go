package main

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/config"
)

// The program is run by hand; what is tested here is that its site is one, and that it counts right.

func TestSiteOfAThousandPoints(t *testing.T) {
	for _, points := range []int{1, 2, 3, 40, 1000} {
		t.Run(fmt.Sprint(points), func(t *testing.T) {
			nodes := makeNodes(points, time.Second)
			folder := t.TempDir()
			path := filepath.Join(folder, "site.yaml")
			require.NoError(t, os.WriteFile(filepath.Join(folder, daemonUser+".password"), []byte("invented"), 0o600))
			require.NoError(t, os.WriteFile(path, []byte(siteText(nodes, time.Second, "mqtt://127.0.0.1:1883", folder)), 0o600))
			site, problems := config.Load(path)
			require.NoError(t, problems.Err())
			fed := 0
			for i := range site.Sensors {
				fed += len(site.Sensors[i].Feeds)
				assert.Equal(t, nodes[i].readings(), len(site.Sensors[i].Feeds))
			}
			assert.Equal(t, points, fed)
			assert.Less(t, nodes[len(nodes)-1].phase, time.Second)
		})
	}
}

func TestPercentile(t *testing.T) {
	var hundred []time.Duration
	for i := range 100 {
		hundred = append(hundred, time.Duration(i+1))
	}
	assert.Equal(t, time.Duration(50), percentile(hundred, 0.5))
	assert.Equal(t, time.Duration(99), percentile(hundred, 0.99))
	assert.Equal(t, time.Duration(100), percentile(hundred, 1))
	assert.Equal(t, time.Duration(7), percentile([]time.Duration{7}, 0.99))
	assert.Zero(t, percentile(nil, 0.99))
}

func TestWhatIsMissedIsCounted(t *testing.T) {
	w := &alarmWatch{clients: 3, open: map[string]*provoked{}}
	start := time.Now()
	w.provoke("tub-1/water-temperature/high", start)
	w.hear(0, "tub-1/water-temperature/high", start.Add(10*time.Millisecond))
	w.hear(0, "tub-1/water-temperature/high", start.Add(20*time.Millisecond)) // a repetition
	w.hear(1, "tub-1/water-temperature/high", start.Add(30*time.Millisecond))
	w.hear(1, "tub-2/water-temperature/high", start.Add(30*time.Millisecond)) // without a cause
	w.settle("tub-1/water-temperature/high")
	w.settle("tub-1/water-temperature/high")
	assert.Equal(t, []time.Duration{10 * time.Millisecond, 30 * time.Millisecond}, w.took)
	assert.Equal(t, 1, w.missed)
}

func TestVerdict(t *testing.T) {
	good := result{options: options{alarms: 20}, before: 40, sent: 1000, kept: 1040, alarms: 3, latencies: []time.Duration{20 * time.Millisecond}, seen: []vitals{{}}}
	assert.Empty(t, good.problems())
	lost := good
	lost.kept--
	assert.Len(t, lost.problems(), 1)
	slow := good
	slow.latencies = []time.Duration{allowed + 1}
	assert.Len(t, slow.problems(), 1)
	deaf := good
	deaf.missed = 1
	assert.Len(t, deaf.problems(), 1)
	idle := good
	idle.alarms = 0
	assert.Len(t, idle.problems(), 1)
	fat := good
	fat.took, fat.collections = 10*time.Minute, growing(10*time.Minute, 40, 2, 0)
	assert.Len(t, fat.problems(), 1)
}

func TestFlags(t *testing.T) {
	o, err := parse([]string{"--soak", "--points", "8"})
	require.NoError(t, err)
	assert.Equal(t, 8, o.points)
	assert.Equal(t, 24*time.Hour, o.length)
	assert.Equal(t, 24*time.Minute, o.real(o.length))
	for _, wrong := range [][]string{{"--points", "0"}, {"--pace", "0.5"}, {"rest"}, {"--no-such-flag"}} {
		_, err := parse(wrong)
		assert.Error(t, err, wrong)
	}
}
