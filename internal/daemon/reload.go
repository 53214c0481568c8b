package daemon

import (
	"cmp"
	"errors"
	"fmt"
	"reflect"
	"strings"

	"dewline/internal/config"
)

// reload reads the configuration again. One with errors is refused, and the old one stays in force.
func (l *loop) reload() {
	log := l.options.Log
	if l.options.Config == "" {
		log.Warn("there is no configuration to read again")
		return
	}
	l.options.Notify("RELOADING=1")
	defer l.options.Notify("READY=1")
	site, problems := config.Load(l.options.Config)
	for _, p := range problems {
		log.Warn("configuration", "problem", p.String())
	}
	err := problems.Err()
	if err == nil && site.ID != l.site.ID {
		err = errors.New("the site has another id: that needs a restart")
	}
	if err == nil {
		if taken := l.claims.connections(site); taken != nil {
			err = fmt.Errorf("another program has what it needs: %s", taken.In(site.Location))
		}
	}
	if err != nil {
		l.about.ReloadOK = false
		log.Error("the new configuration is refused, the old one stays in force", "err", err)
		l.publish()
		return
	}
	snapshot, err := l.chain.Core.Snapshot()
	if err != nil {
		log.Error("the new configuration is refused, the old one stays in force", "err", err)
		return
	}
	pinned := pin(l.site, site)
	l.sources.stop(log)
	old := l.site
	l.install(site)
	if err := l.chain.Core.Restore(snapshot); err != nil {
		log.Error("the state was not restored under the new configuration", "err", err)
	}
	l.recorder.keep = site.History.Keep
	l.about.Reloaded, l.about.ReloadOK = l.clock.Now(), true
	if err := l.mqtt.reconfigure(old, site); err != nil {
		log.Error("a notifier is missing", "err", err)
	}
	if !reflect.DeepEqual(old.Notify, site.Notify) || old.Heartbeat != site.Heartbeat {
		l.senders.stop()
		if err := l.openSenders(); err != nil {
			log.Error("a notifier is missing", "err", err)
		}
		l.chain.Rules.Sync(l.chain.Core.Alarms(), l.now())
		l.senders.start()
	}
	if old.Export != site.Export {
		l.export.stop()
		l.export.start(site, l.recorder)
	}
	if err := l.startSources(); err != nil {
		log.Error("the sensors were not started", "err", err)
	}
	if err := l.servers.reconfigure(&old.Web, &site.Web); err != nil {
		log.Error("a local server is missing", "err", err)
	}
	l.pass(l.chain.Core.Configured(l.now()))
	l.pass(l.chain.Core.FollowConfiguration(l.now()))
	l.publish()
	l.mqtt.refresh()
	if len(pinned) > 0 {
		log.Warn("the new configuration is in force, but for what needs a restart", "unchanged", strings.Join(pinned, "; "))
	} else {
		log.Info("the new configuration is in force", "points", len(l.present.points))
	}
	l.open()
}

// pin leaves in force what only a restart can change, and returns a description of each such key.
func pin(now, site *config.Site) (pinned []string) {
	keep := func(key string, has, want *string) {
		if *has != *want {
			pinned = append(pinned, fmt.Sprintf("%s stays %s until then, and becomes %s", key, cmp.Or(*has, "off"), cmp.Or(*want, "off")))
			*want = *has
		}
	}
	keep("history.path", &now.History.Path, &site.History.Path)
	keep("control.socket", &now.Control.Socket, &site.Control.Socket)
	return pinned
}
