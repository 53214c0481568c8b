package mail

// Wake makes the sender look into a queue to which the test has added by itself.
func (m *Mail) Wake() { m.sender.Wake() }
