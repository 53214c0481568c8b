package probe

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"

	"dewline/internal/config"
	"dewline/sensors"
	"dewline/sensors/i2cbus"
	"dewline/sensors/sensortest"
	"dewline/sensors/sensortest/kernelfiletest"
)

var rewrite = flag.Bool("rewrite", false, "write the golden files again; read the difference before you keep it")

const northLoft = "../../testdata/sys/north-loft"

// buses is a board's I²C buses by name.
type buses map[string]*i2cbus.Bus

func (b buses) Present() ([]string, error) { return slices.Sorted(maps.Keys(b)), nil }

func (b buses) Bus(name string) (*i2cbus.Bus, error) {
	if bus := b[name]; bus != nil {
		return bus, nil
	}
	return nil, fmt.Errorf("no bus %s", name)
}

// registers is a part with 16-bit registers, such as a TMP102 or an MCP9808.
func registers(m map[byte]uint16) sensortest.Device {
	var mu sync.Mutex
	pointer := byte(0)
	return sensortest.Func{Answer: func(w, r []byte) error {
		mu.Lock()
		defer mu.Unlock()
		if len(w) > 0 {
			pointer = w[0]
		}
		if _, ok := m[pointer]; !ok {
			return sensortest.NoAcknowledge
		}
		if len(w) == 3 {
			m[pointer] = uint16(w[1])<<8 | uint16(w[2])
		}
		for i := range r {
			r[i] = byte(m[pointer] >> (8 * (1 - i%2)))
		}
		return nil
	}}
}

func tmp102Part() sensortest.Device {
	return registers(map[byte]uint16{0: 0x1680, 1: 0x60A0, 2: 0x4B00, 3: 0x5000}) // 22.5 °C
}

// sht4xPart answers the two commands that the search and one reading need: 22.5 °C and 80 %RH.
func sht4xPart() sensortest.Device {
	var answer []byte
	return sensortest.Func{Answer: func(w, r []byte) error {
		if len(w) > 0 {
			switch w[0] {
			case 0x89:
				answer = []byte{0xBE, 0xEF, 0x92, 0x66, 0x66, 0x93}
			case 0xFD:
				answer = []byte{0x62, 0xBE, 0xAD, 0xB0, 0x20, 0x96}
			default:
				return sensortest.NoAcknowledge
			}
		}
		copy(r, answer)
		return nil
	}}
}

// master is a DS2482 with one probe on its line, or with none where rom is zero.
func master(rom uint64, pad []byte) sensortest.Device {
	var show, data byte
	var step int
	var rest []byte
	return sensortest.Func{Answer: func(w, r []byte) error {
		if len(w) > 0 {
			switch w[0] {
			case 0xF0:
				show = 0x18
			case 0xE1:
				if w[1] == 0xE1 {
					show = data
				}
			case 0xD2:
				show = w[1] & 0x0F
			case 0xB4:
				show, step, rest = 0x08, 0, nil
				if rom != 0 {
					show |= 0x02
				}
			case 0xA5:
				show = 0x08
				if w[1] == 0xBE {
					rest = pad
				}
			case 0x96:
				show, data = 0x08, 0xFF
				if len(rest) > 0 {
					data, rest = rest[0], rest[1:]
				}
			case 0x78:
				bit := byte(rom >> step & 1)
				show = 0x08 | bit<<5 | (1-bit)<<6 | bit<<7
				step++
			default:
				return sensortest.NoAcknowledge
			}
		}
		for i := range r {
			r[i] = show
		}
		return nil
	}}
}

// loft is an I²C bus with an SHT4x, two TMP102 of which one hangs up after it was recognised, an MCP9808, a 1-Wire master
// without probes and an unknown part.
func loft() (buses, *sensortest.Bus) {
	bus := sensortest.NewBus("I2C1")
	bus.Attach(0x44, sht4xPart())
	bus.Attach(0x48, tmp102Part())
	bus.Attach(0x49, tmp102Part())
	bus.Attach(0x18, registers(map[byte]uint16{1: 0, 2: 0, 5: 0xC170, 6: 0x0054, 7: 0x0400, 8: 0x0300})) // 23 °C
	bus.Attach(0x19, master(0, nil))
	bus.Attach(0x40, registers(map[byte]uint16{0xF3: 0x399F}))
	return buses{"I2C1": i2cbus.Share(flaky{bus})}, bus
}

// flaky lets no temperature of the part at 0x49 through.
type flaky struct{ i2c.Bus }

func (f flaky) Tx(address uint16, w, r []byte) error {
	if address == 0x49 && len(w) == 1 && w[0] == 0 {
		return fmt.Errorf("I2C_RDWR: %w", syscall.EREMOTEIO)
	}
	return f.Bus.Tx(address, w, r)
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *rewrite {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -rewrite")
	require.Equal(t, string(want), got)
}

func text(t *testing.T, r Result) string {
	t.Helper()
	var b strings.Builder
	require.NoError(t, r.WriteText(&b))
	return b.String()
}

// accept loads what WriteConfig wrote, as part of a site with one place, which replaces the placeholder.
func accept(t *testing.T, r Result) *config.Site {
	t.Helper()
	var b strings.Builder
	require.NoError(t, r.WriteConfig(&b))
	site := "site: north-loft\ntimezone: Europe/Lisbon\nlight: {day: \"07:00-19:00\"}\n" +
		"places:\n  - {id: loft, kind: room}\n"
	_, problems := config.LoadFS(fstest.MapFS{"site.yaml": {Data: []byte(site + b.String())}}, "site.yaml")
	require.NotEmpty(t, problems.Only(config.Error), "a place that is left open must be refused")

	// Several sensors may feed one point, so a single place will do.
	whole := site + strings.ReplaceAll(b.String(), placeholder, "loft")
	loaded, problems := config.LoadFS(fstest.MapFS{"site.yaml": {Data: []byte(whole)}}, "site.yaml")
	require.Empty(t, problems.Only(config.Error), whole)
	require.NotNil(t, loaded)
	return loaded
}

func TestNorthLoft(t *testing.T) {
	board, _ := loft()
	result := Run(t.Context(), Options{Sys: northLoft, I2C: board})
	golden(t, "north-loft.txt", text(t, result))
	site := accept(t, result)

	withDriver := 0
	for _, d := range result.Devices {
		if d.Driver == "" {
			require.Zero(t, d.Reading, "%+v", d.Found)
			continue
		}
		withDriver++
		require.Equal(t, d.Err == nil, len(d.Reading.Values) > 0, "%+v", d.Found)
		if d.Err != nil {
			require.NotEqual(t, sensors.Unknown, sensors.KindOf(d.Err))
		}
	}
	require.Len(t, site.Sensors, withDriver)
}

func TestProbeThatLies(t *testing.T) {
	sys := kernelfiletest.Copy(t, northLoft)
	slave := filepath.Join(sys, "bus/w1/devices/28-00000b3c5d1e/w1_slave")
	require.NoError(t, os.WriteFile(slave, []byte("50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"), 0o644))
	require.NoError(t, os.Remove(filepath.Join(sys, "bus/iio/devices/iio:device2/in_temp_input")))
	result := Run(t.Context(), Options{Sys: sys, Only: []string{"w1", "iio"}})
	golden(t, "liar.txt", strings.ReplaceAll(text(t, result), sys, "SYS"))
	accept(t, result)
}

func TestNothing(t *testing.T) {
	result := Run(t.Context(), Options{Sys: t.TempDir(), I2C: buses{}})
	require.Empty(t, result.Devices)
	require.Empty(t, result.Problems)
	require.Empty(t, text(t, result))
	require.Contains(t, result.Advice()[0], "nothing was found")
	require.False(t, result.Found())

	board := Result{Devices: []Device{{Found: sensors.Found{Driver: "board"}}}}
	require.NotEmpty(t, board.Advice(), "a board measures its own temperature, and nothing of the room")
}

// A probe behind a 1-Wire master: a clone by its ROM code, at 25.0625 °C.
func TestBehindMaster(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("I2C1")
		pad := []byte{0x91, 0x01, 0x4B, 0x46, 0x7F, 0xFF, 0x0F, 0x10, 0x25}
		bus.Attach(0x1A, master(0xF7_0316A2794BFF_28, pad))
		result := Run(t.Context(), Options{I2C: buses{"I2C1": i2cbus.Share(bus)}, Only: []string{"I2C1"}})
		require.Empty(t, result.Problems)
		require.Len(t, result.Devices, 1)
		d := result.Devices[0]
		require.NoError(t, d.Err)
		require.Equal(t, "0x1a", d.Bridge)
		require.Equal(t, "28-0316a2794bff", d.Address)
		require.Equal(t, []string{"a copy of the original part: check it in ice water first"}, d.Notes)
		value, _ := d.Reading.Measured(sensors.Temperature)
		require.Equal(t, 25.0625, value.Value)
		require.Equal(t, "probe-4bff", accept(t, result).Sensors[0].ID)
	})
}

// Parts of the class of the LM75: one as after power-on above the addresses of a TMP102, and one that package lm75 has set up,
// whose configuration begins like that of a TMP102.
func TestLM75(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("I2C1")
		for address, settings := range map[uint16]byte{0x4D: 0x00, 0x49: 0x68} {
			bus.Attach(address, lm75Part(settings))
		}
		result := Run(t.Context(), Options{I2C: buses{"I2C1": i2cbus.Share(bus)}, Only: []string{"I2C1"}})
		require.Empty(t, result.Problems)
		require.Len(t, result.Devices, 2)
		for i, address := range []string{"0x49", "0x4d"} {
			d := result.Devices[i]
			require.NoError(t, d.Err)
			require.Equal(t, "lm75", d.Driver)
			require.Equal(t, address, d.Address)
			value, _ := d.Reading.Measured(sensors.Temperature)
			require.Equal(t, 22.5, value.Value)
			require.Contains(t, d.Notes[0], "part: TMP105")
		}
		require.Equal(t, "lm75-0x49", accept(t, result).Sensors[0].ID)
	})
}

// Behind a channel of a multiplexer only its own parts are listed, although those in front answer there as well.
func TestBehindMultiplexer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		wire := sensortest.NewBranched("I2C1")
		wire.Attach(0x49, lm75Part(0))
		board := buses{"I2C1": i2cbus.Share(wire)}
		for channel := range uint8(2) {
			wire.Channels[channel] = sensortest.NewBus("a channel")
			wire.Channels[channel].Attach(0x4D, lm75Part(0))
			bus, err := i2cbus.Mux(board["I2C1"], 0x70, channel)
			require.NoError(t, err)
			board[bus.String()] = bus
		}
		result := Run(t.Context(), Options{I2C: board, Only: []string{"I2C1", "I2C1/0x70:0", "I2C1/0x70:1"}})
		require.Empty(t, result.Problems)
		var at []string
		for _, d := range result.Devices {
			require.NoError(t, d.Err)
			at = append(at, d.Bus+" "+d.Address)
		}
		require.Equal(t, []string{"I2C1 0x49", "I2C1 0x70", "I2C1/0x70:0 0x4d", "I2C1/0x70:1 0x4d"}, at)
		require.Len(t, accept(t, result).Sensors, 3)
	})
}

// lm75Part has a configuration of one byte: a second one that is asked of it is whatever was there.
func lm75Part(settings byte) sensortest.Device {
	pointer := byte(0)
	return sensortest.Func{Answer: func(w, r []byte) error {
		if len(w) > 0 {
			pointer = w[0] & 3
		}
		if len(w) == 2 && pointer == 1 {
			settings = w[1]
		}
		for i := range r {
			r[i] = [][2]byte{{0x16, 0x80}, {settings, 0x80}, {0x4B, 0}, {0x50, 0}}[pointer][i%2]
		}
		return nil
	}}
}

// An address that a kernel driver holds is listed once, and not touched.
func TestHeldAddresses(t *testing.T) {
	board := buses{"I2C1": i2cbus.Share(held{sensortest.NewBus("I2C1")})}
	result := Run(t.Context(), Options{I2C: board, Only: []string{"I2C1"}})
	require.Empty(t, result.Problems)
	var at []string
	for _, d := range result.Devices {
		require.Empty(t, d.Driver)
		require.Contains(t, d.Notes[0], "a kernel driver holds this address")
		at = append(at, d.Address)
	}
	require.Equal(t, []string{"0x18", "0x48", "0x62"}, at)
}

// held is a bus where the kernel has claimed an address of each kind of search.
type held struct{ i2c.Bus }

func (h held) Tx(address uint16, w, r []byte) error {
	switch address {
	case 0x18, 0x48, 0x62:
		return fmt.Errorf("I2C_SLAVE: %w", syscall.EBUSY)
	}
	return h.Bus.Tx(address, w, r)
}

func TestOnly(t *testing.T) {
	board, _ := loft()
	board["I2C3"] = i2cbus.Share(sensortest.NewBus("I2C3"))
	for name, c := range map[string]struct {
		only     []string
		want     []string // drivers
		problems []string
	}{
		"one bus":        {only: []string{"I2C1"}, want: []string{"mcp9808", "", "", "sht4x", "tmp102", "tmp102"}},
		"an empty bus":   {only: []string{"I2C3"}},
		"a missing bus":  {only: []string{"I2C9", "board"}, want: []string{"board"}, problems: []string{"I2C9"}},
		"of the kernel":  {only: []string{"hwmon", "board"}, want: []string{"hwmon", "board"}},
		"both of a kind": {only: []string{"hwmon", "I2C3"}, want: []string{"hwmon"}},
	} {
		result := Run(t.Context(), Options{Sys: northLoft, I2C: board, Only: c.only})
		var drivers, problems []string
		for _, d := range result.Devices {
			drivers = append(drivers, d.Driver)
		}
		for _, p := range result.Problems {
			problems = append(problems, p.Where)
		}
		require.Equal(t, c.want, drivers, name)
		require.Equal(t, c.problems, problems, name)
	}
	result := Run(t.Context(), Options{Sys: northLoft, Only: []string{"I2C1"}})
	require.Len(t, result.Problems, 1)
}

// A bus that hangs is reported and does not keep the others from being read; the context ends the wait.
func TestHungBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		board, wire := loft()
		well := sensortest.NewBus("I2C3")
		well.Attach(0x48, tmp102Part())
		board["I2C3"] = i2cbus.Share(well)
		wire.Block()
		start := time.Now()
		result := Run(t.Context(), Options{I2C: board, Only: []string{"I2C1", "I2C3"}})
		require.Less(t, time.Since(start), 10*time.Second)
		require.Len(t, result.Devices, 1)
		require.Equal(t, "I2C3", result.Devices[0].Bus)
		require.NoError(t, result.Devices[0].Err)
		require.Len(t, result.Problems, 1)
		require.Equal(t, "I2C1", result.Problems[0].Where)
		require.Equal(t, sensors.Timeout, sensors.KindOf(result.Problems[0].Err))
		wire.Heal()

		// A device that was found and hangs then.
		healthy := Run(t.Context(), Options{I2C: board, Only: []string{"I2C3"}})
		require.NoError(t, healthy.Devices[0].Err)
		p := newProber(Options{I2C: board, Timeout: 2 * time.Second})
		well.Block()
		again := []Device{{Found: healthy.Devices[0].Found}}
		p.read(t.Context(), again)
		require.Equal(t, sensors.Timeout, sensors.KindOf(again[0].Err))
		well.Heal()

		ended, cancel := context.WithCancel(t.Context())
		cancel()
		result = Run(ended, Options{I2C: board, Only: []string{"I2C1", "I2C3"}})
		require.Empty(t, result.Devices)
		require.Len(t, result.Problems, 2)
	})
}

// slow is a bus where each transfer takes its time, and one address far more.
type slow struct {
	*sensortest.Bus
	each  time.Duration
	stuck uint16
}

func (s slow) Tx(address uint16, w, r []byte) error {
	time.Sleep(s.each)
	if address == s.stuck {
		time.Sleep(5 * time.Second)
		return fmt.Errorf("I2C_RDWR: %w", syscall.ETIMEDOUT)
	}
	return s.Bus.Tx(address, w, r)
}

// A slow bus is searched to its end, and an address that takes too long costs no other device its place in the list.
func TestSlowBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := sensortest.NewBus("I2C1")
		bus.Attach(0x44, sht4xPart())
		bus.Attach(0x48, tmp102Part())
		wire := slow{bus, 400 * time.Millisecond, 0x40}
		result := Run(t.Context(), Options{I2C: buses{"I2C1": i2cbus.Share(wire)}, Only: []string{"I2C1"}})
		var drivers []string
		for _, d := range result.Devices {
			require.NoError(t, d.Err)
			drivers = append(drivers, d.Driver)
		}
		require.Equal(t, []string{"sht4x", "tmp102"}, drivers)
		require.Len(t, result.Problems, 1)
		require.ErrorContains(t, result.Problems[0].Err, "no answer in time at 0x40, all other addresses were asked")
		accept(t, result)
	})
}

func TestEntries(t *testing.T) {
	temperature := []sensors.Channel{sensors.Temperature}
	for _, c := range []struct {
		name string
		d    Device
		want string
	}{
		{
			name: "behind a multiplexer",
			d:    Device{ID: "sht4x", Found: sensors.Found{Driver: "sht4x", Bus: "I2C1/0x70:3", Address: "0x44", Channels: temperature}},
			want: "  - id: sht4x\n    driver: sht4x\n    bus: I2C1\n    mux: {address: 0x70, channel: 3}\n    address: 0x44\n" +
				"    every: 10s\n    feeds: {temperature: PLACE/air-temperature}\n",
		},
		{
			name: "behind a 1-Wire master, a clone",
			d: Device{ID: "probe-4bff", Bridge: "0x18", Found: sensors.Found{
				Driver: "ds248x", Bus: "I2C1", Address: "28-0316a2794bff", Channels: temperature, Notes: []string{"a copy of the original part: check it in ice water first"},
			}, Description: sensors.Description{Measures: []sensors.Measure{{Channel: sensors.Temperature, Accuracy: 2}}}},
			want: "  - id: probe-4bff\n    # a copy of the original part: check it in ice water first\n    driver: ds248x\n    bus: I2C1\n    bridge: 0x18\n" +
				"    address: 28-0316a2794bff\n    every: 10s\n    accuracy: {temperature: 2 K}\n    feeds: {temperature: PLACE/water-temperature}\n",
		},
		{
			name: "carbon dioxide feeds nothing",
			d: Device{ID: "scd4x", Found: sensors.Found{Driver: "scd4x", Bus: "I2C1", Address: "0x62",
				Channels: []sensors.Channel{sensors.CO2, sensors.Humidity}}},
			want: "  - id: scd4x\n    driver: scd4x\n    bus: I2C1\n    address: 0x62\n    every: 10s\n" +
				"    feeds: {humidity: PLACE/relative-humidity}\n",
		},
		{
			name: "names that would break out of their line",
			d: Device{ID: "iio", Err: sensors.Errorf(sensors.Checksum, "x"), Found: sensors.Found{
				Driver: "iio", Bus: "platform", Name: "a: {b\n", Address: "x", Channels: temperature, Notes: []string{"one\ntwo\u2028three"},
			}},
			want: "  - id: iio\n    # one two three\n    # could not be read: checksum\n    driver: iio\n    name: \"a: {b\\n\"\n    address: \"x\"\n" +
				"    every: 10s\n    feeds: {temperature: PLACE/air-temperature}\n",
		},
	} {
		var b strings.Builder
		require.NoError(t, Result{Devices: []Device{c.d}}.WriteConfig(&b))
		require.Equal(t, "sensors:\n"+c.want, b.String(), c.name)
	}
}

func TestIDs(t *testing.T) {
	devices := []Device{
		{Found: sensors.Found{Driver: "w1", Address: "28-0316a2794bff"}},
		{Found: sensors.Found{Driver: "ds248x", Address: "28-0416a2794bff"}},
		{Found: sensors.Found{Driver: "w1", Address: "28-0316a2794cff"}},
		{Found: sensors.Found{Driver: "tmp102", Bus: "I2C1", Address: "0x48"}},
		{Found: sensors.Found{Driver: "tmp102", Bus: "I2C3", Address: "0x48"}},
		{Found: sensors.Found{Driver: "tmp102", Bus: "I2C1", Address: "0x49"}},
		{Found: sensors.Found{Driver: "hwmon", Name: "sht4x", Address: "1-0044"}},
		{Found: sensors.Found{Driver: "sht4x", Bus: "I2C3", Address: "0x44"}},
		{Found: sensors.Found{Driver: "iio", Name: "dht11", Address: "dht11@11"}},
		{Found: sensors.Found{Driver: "iio", Name: "!", Address: "?"}},
		{Found: sensors.Found{Address: "0x70"}},
	}
	propose(devices)
	var ids []string
	for _, d := range devices {
		ids = append(ids, d.ID)
	}
	require.Equal(t, []string{
		"probe-4bff-28-0316a2794bff", "probe-4bff-28-0416a2794bff", "probe-4cff", "tmp102-0x48", "tmp102-0x48-2", "tmp102-0x49",
		"sht4x-1-0044", "sht4x-0x44", "dht11", "iio", "",
	}, ids)
}
