package config

import (
	"net/netip"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/misting/schedule"
	"dewline/internal/core/quantity"
	"dewline/internal/deliver/text"
	"dewline/sensors"
	"dewline/sensors/drivers"
)

// Site is one installation as its configuration describes it. It holds no secret: where one is needed it holds the path
// of the file with the secret, so that a Site may be printed and logged.
type Site struct {
	ID        string
	Location  *time.Location
	Light     care.Light
	Display   Display
	Profiles  map[string]*care.Profile // by id
	Places    []Place
	Cohorts   []Cohort
	Sensors   []SensorConfig
	History   History
	MQTT      MQTT
	Web       Web
	Control   Control
	Notify    []NotifierConfig
	Digest    *instant.Daily // when the digest of the day is sent; nil means never
	Heartbeat Heartbeat
	Export    Export
	Panels    []Panel

	positions    origins
	profilePaths map[string]string // id of a profile → its path inside origins
	unsure       unsure
	fedByFile    bool // see LoadForReplay
}

// unsure marks the parts of a site that were read only in part, so that no check concludes anything from what is missing there.
type unsure struct {
	profiles, places, sensors, mqtt bool
}

// Display is how values are shown to people.
type Display struct {
	Temperature quantity.Unit // quantity.Celsius or quantity.Fahrenheit
}

// Place is a room, or an enclosure inside a room.
type Place struct {
	ID    string
	Title string // for people; the id where it is not given
	Room  bool
	In    string // the room of an enclosure, or ""
	Latch bool   // alarms stay until a person resets them
	// Mistings is the schedule of the mister of an enclosure, if the keeper has given it.
	Mistings schedule.Schedule
	// StuckMisterAfter is how long the humidity may stay saturated after a misting; 0 = the default.
	StuckMisterAfter time.Duration
	// Bands are as given: [care.Band.WithDefaults] has not been applied.
	Bands   map[quantity.Quantity]care.DayNight
	Sources map[string]string // path below bands, such as "air-temperature.high" → where the number comes from
}

// Cohort is animals of one batch, at one life stage, living in one place.
type Cohort struct {
	ID      string
	Profile string
	Place   string // "" where it lives nowhere any more
	Stages  []care.Since
}

// SensorConfig is a device that feeds points.
type SensorConfig struct {
	ID     string
	Driver string
	Every  time.Duration
	Feeds  map[sensors.Channel]quantity.Point

	// Settings say where the device is. The package documentation lists which of these a driver uses.
	drivers.Settings

	// Options of the driver mqtt.
	Topic        string
	Broker       string // "" means the site's own
	Username     string
	PasswordFile string
	CAFile       string
	Pointer      map[sensors.Channel]string // JSON Pointer (RFC 6901) of the value in the payload
	SenML        map[sensors.Channel]string // resolved SenML name of the record in the payload
	Unit         map[sensors.Channel]quantity.Unit

	// Options of the driver recorded.
	File  string  // path of a readings file
	Speed float64 // recorded seconds that pass in one second
	Loop  bool    // begin again at the end

	// Accuracy is the expanded uncertainty (k = 2) in °C or K, %RH and Pa. It is the given one, or that of the data sheet
	// of the part; a channel is absent where neither is known.
	Accuracy map[sensors.Channel]float64
	// Range is the span in which values are believed; values outside it are suspect.
	Range map[sensors.Channel]Interval
	// Disagree is the spread between the sensors of one point above which the odd one is suspect.
	Disagree    map[sensors.Channel]float64
	Calibration *Calibration
	// CalibrateEvery is how long a calibration is trusted; 0 means [quality.CalibrateEvery].
	CalibrateEvery time.Duration

	Gap        time.Duration // 0 means the default, see [SensorConfig.GapOrDefault]
	StaleAfter time.Duration // 0 means the default, see [SensorConfig.StaleAfterOrDefault]
}

// Interval is a closed interval in the canonical unit of its channel.
type Interval struct{ Low, High float64 }

// Calibration is what comparison with a reference has shown of a sensor.
type Calibration struct {
	Channels map[sensors.Channel]Correction
}

// Correction turns measured values of a channel into true ones: by an offset that is added, or by the straight line
// through one or two points. See [SensorConfig.CalibrationOf].
type Correction struct {
	Date        time.Time // local midnight; zero where it is not given
	Offset      float64
	Points      []Fix   // one or two, sorted by measured value; nil for a mere offset
	Uncertainty float64 // k = 2; 0 where it is not given. It replaces the accuracy of the sensor
}

// Fix is one comparison of a sensor with a reference, both in the canonical unit of the channel.
type Fix struct{ Measured, Reference float64 }

// History is the store of readings and of the journal.
type History struct {
	Path string        // "" means: nothing is kept
	Keep time.Duration // 0 means for ever
}

// MQTT is the connection to a broker, and the embedded broker.
type MQTT struct {
	Broker          string // "" means no broker, or the embedded one where that listens
	Username        string
	PasswordFile    string
	CAFile          string
	CertificateFile string
	KeyFile         string
	ClientID        string
	Root            string // of all topics, without a final slash
	AllowCommands   bool
	Embedded        Embedded
}

// Embedded is the embedded broker.
type Embedded struct {
	Listen string // "" means off
	Users  []User
}

// User may use the embedded broker: read and write are topic filters, and what no filter allows is denied.
type User struct {
	Name         string
	PasswordFile string
	Read, Write  []string
}

// Web is the HTTP server of the pages and the metrics.
type Web struct {
	Listen          string
	Hosts           []string // names by which other machines call this one, in lower case
	Users           []WebUser
	CertificateFile string // both "" means no TLS
	KeyFile         string
	BehindProxy     bool           // a proxy speaks TLS and names the client (X-Forwarded-For)
	TrustedProxies  []netip.Prefix // addresses of that proxy; nil means this machine
	// PublicURL is where the keeper's phone reaches the pages, for the links in messages; "" means that they hold none.
	PublicURL string
}

// WebUser may use the pages: with the password that has the hash in one file, or with the token in the other.
type WebUser struct {
	Name             string
	Role             string // "viewer" or "operator"
	PasswordHashFile string
	TokenFile        string
}

// Control is the socket over which the command line talks to the running daemon.
type Control struct {
	Socket string
}

// NotifierConfig is a notifier: a way to a person.
type NotifierConfig struct {
	Kind       string // "mqtt", "webhook" or "mail"
	Priorities []care.Priority
	After      time.Duration   // an alarm must stay unacknowledged for so long; 0 means that its message is sent at once
	Quiet      *care.Light     // its hours of light are the quiet hours of low and medium; nil means none
	Every      bool            // style: every: each alarm, its repetitions and its end are sent, instead of one incident after the other
	Repeat     time.Duration   // with Every; 0 means once
	Until      string          // "acknowledged" or "cleared": when repetition ends
	Test       *instant.Weekly // when it is tested; nil means only on request

	// Of a webhook: the address, or the file that holds it where the address itself is a secret.
	URL, URLFile string
	TokenFile    string // its content goes into the header Authorization: Bearer …
	SecretFile   string // its content is the key of a signature
	// Format is "text", "json" or "cloudevent". An entry that begins with via: has text where it says nothing, one that begins with
	// outlet: has cloudevent, which it always had.
	Format      string
	TitleHeader string         // header that carries the title of a text; "" puts it into the first line
	Template    *text.Template // the keeper's own wording; nil means the usual one

	// Of mail.
	Server       string // host:port
	Security     string // "starttls", "tls" or "none"
	Username     string
	PasswordFile string
	From         string
	To           []string
}

// Updates reports whether the notifier can update an incident without a sound: a mail joins its thread, and a program that reads JSON
// sees what needs none.
func (o *NotifierConfig) Updates() bool {
	return o.Kind == "mail" || o.Kind == "webhook" && o.Format != "text"
}

// Slowest returns the time within which the notifier must have delivered: the shortest that its priorities allow.
func (o *NotifierConfig) Slowest() time.Duration {
	worst := care.Unset
	for _, p := range o.Priorities {
		worst = max(worst, p)
	}
	return worst.Allowable()
}

// Heartbeat requests an outside address at an interval, so that a service there notices when this monitor has gone silent.
type Heartbeat struct {
	URL, URLFile string // both "" means off
	Every        time.Duration
}

// Export is what leaves for a store of another kind.
type Export struct {
	RemoteWrite RemoteWrite
}

// RemoteWrite is a metrics store that takes readings, zone seconds and alarm states by the Prometheus remote-write protocol.
type RemoteWrite struct {
	URL, URLFile           string // both "" means off
	TokenFile              string // of a bearer token
	Username, PasswordFile string
	CAFile                 string
	Since                  time.Time // nothing earlier is sent; zero means from the first start with it on
}

// On reports whether there is a store to write to.
func (r *RemoteWrite) On() bool { return r.URL != "" || r.URLFile != "" }

// Panel is what the page of trends draws under one title.
type Panel struct {
	Title  string
	Span   string             // "1d", "1w", "1m" or "1y": how far back from now
	Charts [][]quantity.Point // from top to bottom; the points of a chart are drawn together, with the band of the first

	written []string // where each chart is written, as a path inside origins
}

// GapOrDefault returns the longest time between two readings that are still joined by a line.
func (s *SensorConfig) GapOrDefault() time.Duration {
	if s.Gap > 0 {
		return s.Gap
	}
	return max(3*s.Every, time.Minute)
}

// StaleAfterOrDefault returns the time without a usable reading after which a point of the sensor is stale.
func (s *SensorConfig) StaleAfterOrDefault() time.Duration {
	if s.StaleAfter > 0 {
		return s.StaleAfter
	}
	return max(5*s.Every, 2*time.Minute, s.GapOrDefault())
}

// FaultAfter returns how long the sensor may fail without a break before its fault alarm: always less than until its points are
// stale, so that the cause is reported before the symptom.
func (s *SensorConfig) FaultAfter() time.Duration {
	fault, stale := max(3*s.Every, time.Minute), s.StaleAfterOrDefault()
	if fault < stale {
		return fault
	}
	if s.Every < stale {
		return stale - s.Every/2
	}
	return stale / 2
}

// place returns the place of an id, or nil.
func (s *Site) place(id string) *Place {
	for i := range s.Places {
		if s.Places[i].ID == id {
			return &s.Places[i]
		}
	}
	return nil
}
