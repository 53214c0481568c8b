package recorded

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strconv"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/sensors"
)

// PlayerOptions configure a [Player].
type PlayerOptions struct {
	// Name names the recording in errors, such as the file's name.
	Name string
	// Channels is the point of the file that each channel of the sensor plays.
	Channels map[sensors.Channel]quantity.Point
	// Speed is the number of recorded seconds that pass in one second; 0 means 1.
	Speed float64
	// Hold is for how long of recorded time the value of a row is returned; 0 means 60 s. After that the channel is missing, as
	// with a sensor that has fallen silent.
	Hold time.Duration
	// Loop starts the recording again at its end. Otherwise the sensor is absent from then on.
	Loop bool
	// Now is the clock; nil means time.Now. The recording begins at the first call of Read.
	Now func() time.Time
}

// Player plays a recording as if it were measured now. It is a [sensors.Sensor].
type Player struct {
	options PlayerOptions
	order   []sensors.Channel
	tracks  map[sensors.Channel][]Row
	first   instant.Instant
	length  time.Duration
	began   time.Time
}

var _ sensors.Sensor = (*Player)(nil)

// NewPlayer returns a player of the points of file that options name.
func NewPlayer(file *File, options PlayerOptions) (*Player, error) {
	options.Speed = cmp.Or(options.Speed, 1)
	if !(options.Speed > 0) || math.IsInf(options.Speed, 1) {
		return nil, fmt.Errorf("playing %s: a speed of %v is not possible, give a positive number", options.Name, options.Speed)
	}
	if options.Hold <= 0 {
		options.Hold = time.Minute
	}
	if options.Now == nil {
		options.Now = time.Now
	}
	if len(options.Channels) == 0 {
		return nil, fmt.Errorf("playing %s: no channel is given", options.Name)
	}
	p := &Player{
		options: options,
		order:   slices.Sorted(maps.Keys(options.Channels)),
		tracks:  make(map[sensors.Channel][]Row, len(options.Channels)),
	}
	for _, channel := range p.order {
		point := options.Channels[channel]
		if channel.Unit() != point.Quantity.Unit().Symbol() {
			return nil, fmt.Errorf("playing %s: channel %s cannot play %s, which is in %s",
				options.Name, channel, point, point.Quantity.Unit().Shown())
		}
		index := slices.Index(file.Points, point)
		if index < 0 {
			return nil, fmt.Errorf("playing %s: the recording has no point %s", options.Name, point)
		}
		for _, row := range file.Rows {
			if row.Point == int32(index) {
				p.tracks[channel] = append(p.tracks[channel], row)
			}
		}
	}
	var last instant.Instant
	p.first, last = file.Span()
	p.length = last.Sub(p.first)
	return p, nil
}

// Describe returns the description of the played sensor.
func (p *Player) Describe() sensors.Description {
	d := sensors.Description{Driver: "recorded", Part: "recording", Where: p.options.Name}
	for _, channel := range p.order {
		d.Measures = append(d.Measures, sensors.Measure{Channel: channel, Low: -math.MaxFloat64, High: math.MaxFloat64})
	}
	return d
}

// Read returns the last recorded value of every channel at this moment of the recording. Rows that failed or were
// missing, and stretches without rows, leave their channel out; with no channel left it is an error.
func (p *Player) Read(ctx context.Context) (sensors.Measurement, error) {
	if err := ctx.Err(); err != nil {
		return sensors.Measurement{}, sensors.Errorf(sensors.Timeout, "playing %s: %w", p.options.Name, err)
	}
	moment, ended := p.moment()
	if ended {
		return sensors.Measurement{}, sensors.Errorf(sensors.Absent, "playing %s: the recording ended at %s",
			p.options.Name, p.first.Add(p.length))
	}
	var reading sensors.Measurement
	kind := sensors.Absent
	for _, channel := range p.order {
		track := p.tracks[channel]
		next := sort.Search(len(track), func(i int) bool { return track[i].At > moment })
		if next == 0 || moment.Sub(track[next-1].At) > p.options.Hold {
			continue
		}
		row := track[next-1]
		switch {
		case row.Flag.Usable():
			reading.Values = append(reading.Values,
				sensors.Value{Channel: channel, Value: row.Value, Raw: math.Float64bits(row.Value)})
		case row.Flag == quantity.Fail:
			kind = sensors.Implausible
			reading.Evidence = strconv.AppendFloat(reading.Evidence, row.Value, 'g', -1, 64)
		}
	}
	if len(reading.Values) == 0 {
		return reading, sensors.Errorf(kind, "playing %s: the recording has no good value at %s", p.options.Name, moment)
	}
	return reading, nil
}

// moment returns where in the recording the player is.
func (p *Player) moment() (at instant.Instant, ended bool) {
	now := p.options.Now()
	if p.began.IsZero() {
		p.began = now
	}
	seconds := now.Sub(p.began).Seconds() * p.options.Speed
	length := (p.length + p.options.Hold).Seconds() // the last row is held as long as any other
	if seconds > length {
		if !p.options.Loop {
			return 0, true
		}
		seconds = math.Mod(seconds, length)
	}
	return p.first.Add(time.Duration(seconds * float64(time.Second))), false
}

// Close does nothing: the recording is in memory.
func (p *Player) Close() error { return nil }
