package daemon

import (
	"cmp"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewline/internal/config"
	"dewline/internal/daemon/claim"
	"dewline/internal/mqtt"
	"dewline/internal/store"
)

// claims are the files and addresses that this run holds, so that no second daemon watches the same site. Two would throw each
// other out at the broker, and commands to one would not reach the alarms of the other.
type claims struct {
	me    claim.Holder
	fixed *claim.Held
	links map[string]*claim.Held // by broker and client id
}

// errTaken is why a daemon does not start: other programs hold what its site needs.
type errTaken struct {
	claim.Taken
	location *time.Location
}

// Error says who holds what, and what to do.
func (e errTaken) Error() string {
	return fmt.Sprintf("not started, since another program uses what this site needs:\n  %s\nstop it first, or give this site paths, addresses and a client-id of its own",
		strings.ReplaceAll(e.In(e.location), "\n", "\n  "))
}

// claimSite claims all that only one daemon may use.
func claimSite(o *Options, site *config.Site) (*claims, error) {
	path := o.Config
	if absolute, err := filepath.Abs(path); err == nil && path != "" {
		path = absolute
	}
	c := &claims{me: claim.Holder{PID: os.Getpid(), Since: time.Now(), Config: path}, links: map[string]*claim.Held{}}
	var wanted []claim.Claim
	if path := site.History.Path; path != "" {
		wanted = append(wanted, claim.File("the history", path, store.LockFile(path)))
	}
	wanted = append(wanted, claim.Socket("the control socket", site.Control.Socket), claim.Address("the web address", site.Web.Listen))
	if listen := site.MQTT.Embedded.Listen; listen != "" {
		wanted = append(wanted, claim.Address("the address of the embedded broker", listen))
	}
	fixed, taken := claim.Take(c.me, wanted...)
	c.fixed = fixed
	if taken = append(taken, c.connections(site)...); taken != nil {
		c.release()
		return nil, errTaken{taken, site.Location}
	}
	return c, nil
}

// connections claims the broker connections of a site, and releases those that the site no longer has. If another program
// holds one of them, it changes nothing.
func (c *claims) connections(site *config.Site) claim.Taken {
	wanted := connectionsOf(site)
	fresh := map[string]*claim.Held{}
	var taken claim.Taken
	for _, name := range wanted {
		if c.links[name] == nil {
			held, others := claim.Take(c.me, claim.Name("the MQTT connection", name))
			fresh[name], taken = held, append(taken, others...)
		}
	}
	if taken != nil {
		for _, held := range fresh {
			_ = held.Release()
		}
		return taken
	}
	for name, held := range c.links {
		if !slices.Contains(wanted, name) {
			_ = held.Release()
			delete(c.links, name)
		}
	}
	maps.Copy(c.links, fresh)
	return nil
}

// connectionsOf names the connections that brokers know by a client id: a second one of the same id throws the first one out.
func connectionsOf(site *config.Site) []string {
	name := func(id, broker string) string { return fmt.Sprintf("%s to %s", id, broker) }
	var names []string
	if m := &site.MQTT; m.Broker != "" {
		names = append(names, name(m.ClientID, m.Broker))
	}
	for i := range site.Sensors {
		c := &site.Sensors[i]
		broker := cmp.Or(c.Broker, site.MQTT.Broker)
		if c.Driver == "mqtt" && broker != "" {
			if n := name(mqtt.ClientID(site.ID, "intake"), broker); !slices.Contains(names, n) {
				names = append(names, n)
			}
		}
	}
	return names
}

// release gives up all claims.
func (c *claims) release() {
	for _, held := range c.links {
		_ = held.Release()
	}
	_ = c.fixed.Release()
}
