// Command manyrooms plays many sites against one metrics store, with the code by which a board exports, and at the same time against one
// broker, at the pace of life, and prints what that costs:
//
//	prometheus --config.file=configs/many-rooms/prometheus.yml --web.enable-remote-write-receiver --storage.tsdb.path=metrics
//	go run ./internal/test/manyrooms --sites 500 --minutes 240 --broker mqtts://localhost:8883 --ca-file ca.crt --passwords . --pid "$(pidof mosquitto)"
//
// Each site has twenty points with a reading every 10 s, and sends what it has recorded in the last minutes as fast as it may. All values
// are invented.
package main

import (
	"context"
	"flag"
	"fmt"
	"iter"
	"log"
	"math"
	"net/http"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/deliver/remotewrite"
	"dewline/internal/mqtt"
	"dewline/internal/store"
)

// history is a store in which every point has a reading every 10 s.
type history struct {
	points []quantity.Point
	begin  instant.Instant
	now    time.Time
	phase  float64
}

func (h *history) Points() []quantity.Point { return h.points }

func (h *history) Readings(_ context.Context, _ quantity.Point, from, to instant.Instant) iter.Seq2[store.Sample, error] {
	const every = instant.Instant(10 * time.Second)
	return func(yield func(store.Sample, error) bool) {
		from = max(from, h.begin)
		for at := (from + every - 1) / every * every; at <= instant.Of(h.now) && (to.IsNone() || at < to); at += every {
			value := math.Round((22.5+2*math.Sin(h.phase+float64(at)/3e12))/0.0625) * 0.0625
			if !yield(store.Sample{At: at, Value: value, Flag: quantity.Pass}, nil) {
				return
			}
		}
	}
}

func (h *history) Journal(context.Context, store.Filter) ([]*journal.Entry, error) { return nil, nil }
func (h *history) Progress(context.Context, string) ([]byte, error)                { return nil, nil }
func (h *history) SetProgress(string, []byte)                                      {}
func (h *history) Health() store.Health                                            { return store.Health{LastCommit: instant.Of(h.now)} }

// counter counts what crosses the network.
type counter struct {
	http.Transport
	requests, bytes atomic.Int64
}

// RoundTrip is one request.
func (c *counter) RoundTrip(r *http.Request) (*http.Response, error) {
	c.requests.Add(1)
	c.bytes.Add(r.ContentLength)
	return c.Transport.RoundTrip(r)
}

func main() {
	url := flag.String("url", "http://127.0.0.1:9090/api/v1/write", "the receiver; empty for none")
	broker := flag.String("broker", "", "the broker of the house; empty for none")
	authority := flag.String("ca-file", "", "the authority of its certificate")
	passwords := flag.String("passwords", "", "the folder with room-1.password … and keeper.password; empty where the broker wants none")
	pid := flag.Int("pid", 0, "the process of the broker, for its memory and processor time")
	length := flag.Duration("for", 10*time.Minute, "how long the broker is spoken to")
	sites := flag.Int("sites", 500, "how many sites there are")
	minutes := flag.Int("minutes", 60, "how much each of them has recorded")
	flag.Parse()
	var both sync.WaitGroup
	if *broker != "" {
		c := &crowd{options: mqtt.Options{Broker: *broker, CAFile: *authority}, folder: *passwords, pid: *pid}
		both.Go(func() {
			if err := c.play(context.Background(), *sites, *length); err != nil {
				log.Fatal(err)
			}
		})
	}
	if *url != "" {
		both.Go(func() { export(*url, *sites, *minutes) })
	}
	both.Wait()
}

// export lets every site send what it has recorded.
func export(url string, sites, minutes int) {
	now := time.Now()
	begin := now.Add(-time.Duration(minutes) * time.Minute)
	c := &counter{Transport: http.Transport{MaxIdleConnsPerHost: sites}}
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	exporters := make([]*remotewrite.Exporter, sites)
	for i := range exporters {
		site, points := siteOf(i)
		h := &history{points: points, begin: instant.Of(begin), now: now, phase: float64(i)}
		e, err := remotewrite.New(remotewrite.Options{
			Target: remotewrite.Target{URL: url}, Since: instant.Of(begin), Store: h, Site: func() *watch.Site { return site },
			Now: func() time.Time { return now }, Confirmed: func() bool { return true }, Transport: c,
		})
		if err != nil {
			log.Fatal(err)
		}
		exporters[i] = e
		done.Go(func() { _ = e.Run(ctx) }) // it returns nil
	}
	from := time.Now()
	for {
		time.Sleep(time.Second)
		var sent, refused uint64
		ready := 0
		for _, e := range exporters {
			s := e.Status()
			sent, refused = sent+s.Sent, refused+s.Refused
			if s.Sent > 0 && s.Behind < 3*time.Minute {
				ready++
			}
			if s.Err != "" {
				log.Print(s.Err)
			}
		}
		took := time.Since(from).Seconds()
		fmt.Printf("%4.0f s: %d of %d sites, %d samples (%.0f/s), %d refused, %d requests, %.1f MB\n", took, ready, sites, sent, float64(sent)/took, refused,
			c.requests.Load(), float64(c.bytes.Load())/1e6)
		if ready == sites {
			break
		}
	}
	cancel()
	done.Wait()
	var usage syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &usage); err != nil {
		log.Fatal(err)
	}
	spent := time.Duration(usage.Utime.Nano() + usage.Stime.Nano())
	fmt.Printf("all of the sites together: %s of processor, %.2f ms a site and minute; %d bytes a request\n", spent.Round(time.Millisecond),
		spent.Seconds()*1000/float64(sites*minutes), c.bytes.Load()/max(c.requests.Load(), 1))
}

// siteOf is a site of twenty tubs.
func siteOf(i int) (*watch.Site, []quantity.Point) {
	band := care.NoBand()
	band.Limits[care.Low], band.Limits[care.High] = 21, 24
	site := &watch.Site{ID: fmt.Sprintf("room-%d", i+1), Location: time.UTC, Light: care.Light{Location: time.UTC, AlwaysDay: true}}
	var points []quantity.Point
	for k := range 20 {
		p := quantity.Point{Place: fmt.Sprintf("tub-%d", k+1), Quantity: quantity.WaterTemperature}
		points = append(points, p)
		site.Points = append(site.Points, watch.Point{Point: p, Gap: time.Minute})
		site.Places = append(site.Places, watch.Place{ID: p.Place, Bands: map[quantity.Quantity]care.DayNight{p.Quantity: {Day: band, Night: band}}})
	}
	return site, points
}
