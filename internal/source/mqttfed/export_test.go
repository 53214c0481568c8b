package mqttfed

import "slices"

// Topics returns the filters to subscribe to, each once.
func (f *Feed) Topics() []string { return slices.Clone(f.topics) }
