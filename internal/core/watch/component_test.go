package watch_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// A component of dewline that fails calls at once, covers no alarm of a point, is known after a restart as well, and two reports that it
// works again end it.
func TestAComponentThatFailsCallsAtOnce(t *testing.T) {
	site := shaky()
	site.Components = []watch.Component{
		{ID: journal.HistoryComponent, FaultAfter: 2 * time.Minute},
		{ID: journal.NotifierComponents + "mail", FaultAfter: 10 * time.Minute},
	}
	mail := journal.NotifierFault("mail")
	history := "sensor/" + journal.HistoryComponent + "/fault"
	p := play(t, site)
	report := func(component int32, failure string, flag quantity.Flag) {
		p.event(watch.Event{Kind: watch.ComponentEvent, Component: component, Failure: failure, Flag: flag})
	}
	p.reads(10, true, 22)
	for range 5 * 6 {
		p.reads(1, true, 22)
		report(1, "it is not connected", quantity.Missing)
	}
	assert.Equal(t, "A", p.letter(mail), "for five minutes")
	for range 6 * 6 {
		p.reads(1, true, 22)
		report(1, "it is not connected", quantity.Missing)
	}
	require.Equal(t, "B", p.letter(mail))
	state, _ := p.core.Alarm(mail)
	assert.Equal(t, care.HighPriority, state.Priority)
	assert.Equal(t, []string{mail}, p.notified())
	assert.Equal(t, "A", p.letter(history))
	assert.Equal(t, "A", p.letter(probeFault), "of the sensors none has failed")

	report(0, "the file was put back", quantity.Fail)
	report(0, "the file was put back", quantity.Fail)
	assert.Equal(t, "B", p.letter(history), "twice known to be wrong")

	saved, err := p.core.Snapshot()
	require.NoError(t, err)
	p.core = watch.New(site, "run-2")
	require.NoError(t, p.core.Restore(saved))
	assert.Equal(t, "B", p.letter(mail))
	report(1, "", quantity.Missing)
	assert.Equal(t, "B", p.letter(mail))
	report(1, "", quantity.Missing)
	assert.Equal(t, "D", p.letter(mail))
	p.reads(60, true, 28)
	assert.Equal(t, "B", p.letter(tubHigh), "the history is no reason to hide an alarm")
}
