package notify_test

import (
	"fmt"
	"testing"
	"time"

	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/watch"
)

// BenchmarkDue is one tick of rules that have seen many alarms come and go, of which two are active: most of a daemon's ticks.
func BenchmarkDue(b *testing.B) {
	for _, alarms := range []int{10, 100, 1000} {
		b.Run(fmt.Sprintf("%d alarms", alarms), func(b *testing.B) {
			rules := notify.New([]notify.Rule{{Every: true, Notifier: "webhook", Repeat: 15 * time.Minute}, {Every: true, Notifier: "mail", Priorities: extreme}})
			for i := range alarms {
				e := journal.Entry{Kind: journal.AlarmRaised, At: at(60 * i), Alarm: fmt.Sprintf("tub-%d/water-temperature/high", i), State: "B", Was: "A", Priority: "high", Occurrence: fmt.Sprint(i)}
				rules.Effect(&watch.Effect{Kind: watch.Record, Entry: &e})
				rules.Effect(&watch.Effect{Kind: watch.Notify, Entry: &e})
				if i < 2 {
					continue
				}
				end := e
				end.Kind, end.At, end.State, end.Was = journal.AlarmCleared, at(60*i+30), "A", "B"
				rules.Effect(&watch.Effect{Kind: watch.Record, Entry: &end})
			}
			now := at(60*alarms + 600)
			rules.Due(now) // judges the last of them
			b.ReportAllocs()
			for b.Loop() {
				rules.Due(now)
			}
		})
	}
}
