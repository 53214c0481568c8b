package kernelfiletest

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// Probe is a 1-Wire thermometer in a tree of real files that a test changes while another process reads it.
type Probe struct {
	t    testing.TB
	Home string // its folder
}

// ProbeROM is the probe that the recorded tree of the North Loft has on its 1-Wire bus.
const ProbeROM = "28-00000b3c5d1e"

// NewProbe returns the recorded probe of a tree that [Copy] has made of testdata/sys/north-loft.
func NewProbe(t testing.TB, tree string) *Probe {
	return &Probe{t, filepath.Join(tree, "devices/w1_bus_master1", ProbeROM)}
}

// AddProbe puts a further probe, a copy of the recorded one, into the tree. The last twelve digits of its ROM are what
// distinguishes it.
func AddProbe(t testing.TB, tree, rom string) *Probe {
	t.Helper()
	p := &Probe{t, filepath.Join(tree, "devices/w1_bus_master1", rom)}
	p.must(os.CopyFS(p.Home, os.DirFS(NewProbe(t, tree).Home)))
	link := filepath.Join(tree, "bus/w1/devices", rom)
	if _, err := os.Lstat(link); err != nil {
		p.must(os.Symlink(filepath.Join("../../../devices/w1_bus_master1", rom), link))
	}
	return p
}

// crc8 is the checksum of 1-Wire devices (Maxim application note 27), written apart from the driver's own.
func crc8(bytes []byte) (crc byte) {
	for _, b := range bytes {
		for range 8 {
			mix := (crc ^ b) & 1
			crc >>= 1
			if mix != 0 {
				crc ^= 0x8c
			}
			b >>= 1
		}
	}
	return crc
}

// Show makes the probe read a temperature, in steps of 1/16 K.
func (p *Probe) Show(celsius float64) {
	p.t.Helper()
	raw := int16(math.Round(celsius * 16))
	p.Scratchpad([]byte{byte(raw), byte(raw >> 8), 0x4b, 0x46, 0x7f, 0xff, byte(16 - raw&15), 0x10}, celsius)
}

// Scratchpad makes the probe hold eight bytes with their right checksum.
func (p *Probe) Scratchpad(bytes []byte, celsius float64) {
	p.t.Helper()
	crc := crc8(bytes)
	p.Write("w1_slave", fmt.Sprintf("% 02x %02x : crc=%02x YES\n% 02x %02x t=%d\n", bytes, crc, crc, bytes, crc, int(celsius*1000)))
	p.Write("temperature", fmt.Sprintf("%d\n", int(celsius*1000)))
	p.Write("hwmon/hwmon3/temp1_input", fmt.Sprintf("%d\n", int(celsius*1000)))
}

// Write replaces a file at one blow, as the kernel's answers are never half new.
func (p *Probe) Write(name, text string) {
	p.t.Helper()
	path := filepath.Join(p.Home, name)
	p.must(os.WriteFile(path+".new", []byte(text), 0o644))
	p.must(os.Rename(path+".new", path))
}

// Away hides the probe's folder, as the kernel does after a while; it returns how to bring it back.
func (p *Probe) Away() (back func()) {
	p.t.Helper()
	p.must(os.Rename(p.Home, p.Home+".away"))
	return func() { p.must(os.Rename(p.Home+".away", p.Home)) }
}

func (p *Probe) must(err error) {
	p.t.Helper()
	if err != nil {
		p.t.Fatal(err)
	}
}
