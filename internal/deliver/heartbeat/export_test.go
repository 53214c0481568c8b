package heartbeat

// Status returns the state of the heartbeat.
func (b *Beat) Status() Status {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.status
}
