package daemon

import (
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
)

// commandMessage is a command on its way into the core.
type commandMessage struct {
	command watch.Command
	refusal string // why it is refused without asking the core; "" if it is not
	reply   chan commandReply
}

type commandReply = control.Response

// handleCommand carries out a command in the core and returns its outcome. It belongs to the goroutine of the loop.
func (l *loop) handleCommand(m commandMessage) control.Response {
	if m.refusal == "" && m.command.Verb == control.TestVerb {
		return l.testNotifiers(m)
	}
	if m.refusal != "" {
		l.chain.AddEffects(l.chain.Core.Refuse(l.now(), &m.command, m.refusal, nil))
	} else {
		l.chain.Step(watch.Event{Kind: watch.CommandEvent, At: l.now(), Command: &m.command})
	}
	work := l.chain.Ready()
	response := control.Response{Done: true, Changed: len(work.Effects) > 0}
	for _, e := range work.Effects {
		if e.Kind == watch.Refused {
			response = control.Response{Reason: e.Entry.Reason}
		}
	}
	if response.Done && m.refusal == "" && onRecord[m.command.Verb] {
		l.confirm(&response, &m.command, work.Effects)
	}
	many := l.refusals.thin(&work, l.options.Clock.Monotonic())
	l.commit(work)
	if many {
		l.note("commands are refused faster than they are written down: look for a program that sends them. The last was refused since: " + response.Reason)
	}
	return response
}
