package sensortest

import "sync"

// Branched is a bus with a multiplexer PCA9548A at 0x70. Each channel has an address space of its own, which is on the wire beside the
// parts in front while it is open, as it is electrically.
type Branched struct {
	*Bus             // what hangs in front
	Channels [8]*Bus // nil where nothing hangs

	mu   sync.Mutex
	open byte
}

// NewBranched returns a bus without devices, whose channels are all closed.
func NewBranched(name string) *Branched { return &Branched{Bus: NewBus(name)} }

// Open returns which channels are open, a bit for each.
func (b *Branched) Open() byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.open
}

// Power closes all channels, as a dip of the multiplexer's supply does.
func (b *Branched) Power() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.open = 0
}

// Tx talks to the multiplexer, or to what hangs on the wire now.
func (b *Branched) Tx(address uint16, w, r []byte) error {
	if address == 0x70 {
		b.mu.Lock()
		defer b.mu.Unlock()
		if len(w) > 0 {
			b.open = w[len(w)-1]
		}
		for i := range r {
			r[i] = b.open
		}
		return nil
	}
	open := b.Open()
	err := b.Bus.Tx(address, w, r)
	for i, channel := range b.Channels {
		if channel != nil && open&(1<<i) != 0 && channel.Tx(address, w, r) == nil {
			err = nil
		}
	}
	return err
}
