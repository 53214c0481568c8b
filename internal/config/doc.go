// Package config reads the configuration of a site and its care profiles: YAML in, a validated model out, or every problem
// at once, each with file, line, column and, where a word was misspelt, the one that was probably meant.
//
//	site, problems := config.Load("north-loft.yaml")
//	for _, problem := range problems {
//		fmt.Println(problem) // north-loft.yaml:12:7: unknown quantity "air-temprature": did you mean "air-temperature"?
//	}
//	if site == nil {
//		os.Exit(1)
//	}
//	core := watch.New(assemble.Site(site), run)
//
// Problems are errors and warnings. An error keeps the configuration from being used: there is no site then. A warning
// ("file:line:column: warning: message") says that something is probably not meant so; warnings alone leave the site
// usable, and check exits with 0.
//
// A configuration never holds a secret, only the path of the file with it, and the model holds no more: it may be printed.
//
// # Grammar
//
// One YAML 1.2 document of at most 1 MiB, in UTF-8, indented by spaces. Keys are as below and nothing else. Anchors,
// aliases and merges (<<) may save repetition; tags, complex keys and further documents are refused. Written here as
// type or default; … means a list of the same. Everything is optional unless it is marked *.
//
//	site: ID *
//	timezone: IANA name                  # absent: UTC, with a warning; never the machine's own, which changes with it
//	light: {day: "07:00-19:00"}          # local hours of light; may wrap midnight; absent: always day
//	display: {temperature: celsius}      # or fahrenheit; C, F
//	profiles: [NAME | PATH, …]           # a NAME of dewline profile list, which the program brings, or a file
//	places: *
//	  - id: ID *                         # not "sensor"
//	    title: TEXT
//	    kind: room | enclosure *         # tub, tank, vivarium and the like are enclosures
//	    in: ID                           # the room of an enclosure
//	    latch: false                     # alarms stay until a person resets them
//	    mistings: "07:30,18:30x0.5"      # what the mister of an enclosure is set to: local times, each with its length in usual mistings
//	    stuck-mister-after: 4h           # on-delay of the alarm stuck-mister: the humidity has stayed saturated for so long after a misting
//	    bands: {QUANTITY: BAND, …}       # hold together with those of the cohorts that live there
//	cohorts:
//	  - id: ID *
//	    profile: ID *
//	    place: ID                        # absent: it lives nowhere any more
//	    stages: [{stage: STAGE, since: TIME}, …] *   # in the order of time
//	sensors:
//	  - id: ID *                         # not history-file, nor outlet-…
//	    driver: DRIVER *
//	    every: 10s                       # of mqtt: how often a message is expected, 60s
//	    feeds: {CHANNEL: PLACE/QUANTITY, …} *        # not needed by board
//	    accuracy: {CHANNEL: DIFFERENCE, …}           # expanded, k = 2; absent: the data sheet's
//	    range: {CHANNEL: "5–40 °C" | {low: VALUE, high: VALUE}, …}   # values outside are suspect
//	    disagree: {CHANNEL: DIFFERENCE, …}           # spread between the sensors of a point that is a fault after ten minutes
//	                                                 # of two that do not differ by more the finer one counts for more
//	    gap: DURATION                    # absent: 3 × every, at least 60s
//	    stale-after: DURATION            # absent: 5 × every, at least 2m and gap
//	    calibration:
//	      CHANNEL: {offset: DIFFERENCE, uncertainty: DIFFERENCE, date: TIME}
//	      CHANNEL: {points: [{measured: VALUE, reference: VALUE}, …], uncertainty: DIFFERENCE, date: TIME}   # one or two points
//	      date: TIME                     # of the channels without a date of their own
//	    calibrate-every: 1y              # how long a calibration is trusted
//	history: {path: PATH, keep: DURATION}            # absent: nothing is kept; keep absent: for ever
//	mqtt:
//	  broker: mqtt[s]://HOST:PORT        # also tcp, ssl, tls, ws, wss; no credentials inside
//	  username: TEXT
//	  password-file: PATH
//	  ca-file: PATH
//	  certificate-file: PATH             # of the client, together with
//	  key-file: PATH
//	  client-id: dewline-SITE
//	  root: dewline/SITE
//	  commands: false                    # true: commands on command/… topics are carried out
//	  embedded:
//	    listen: 127.0.0.1:1883 *         # loopback only
//	    users: [{name: TEXT * (not dewline-daemon), password-file: PATH *, read: [FILTER, …], write: [FILTER, …]}, …]   # all else is denied
//	web:
//	  listen: 127.0.0.1:8420             # not loopback: only with users, and TLS or behind-proxy
//	  hosts: [NAME, …]                   # names by which other machines call this one; addresses need not be listed
//	  users: [{name: NAME *, role: viewer | operator *, password-hash-file: PATH | token-file: PATH *}, …]
//	                                     # of dewline password, and of dewline password --token for programs;
//	                                     # absent: no log-in, and everybody on this machine may look and act
//	  certificate-file: PATH             # TLS, together with
//	  key-file: PATH
//	  public-url: https://…              # where a phone reaches the pages: messages then carry a link to the alarm
//	  behind-proxy: false                # true: a proxy in front speaks TLS, and names the client (X-Forwarded-For)
//	  trusted-proxies: [ADDRESS | NETWORK, …]   # the addresses of that proxy; default: this machine. No other is trusted
//	control: {socket: /run/dewline/control.sock}
//	notify:
//	  - via: mqtt | webhook | mail *     # outlet: … is an earlier name, and without a format means cloudevent
//	    priorities: [PRIORITY, …]        # absent: all
//	    after: DURATION                  # escalation: only what is not confirmed for so long; not of mqtt
//	    quiet: "22:00-07:00"             # local hours that hold back low and medium, may wrap midnight; not of mqtt
//	    test: "sunday 10:00"             # a weekly test by local time; absent: only dewline alarm test
//	    style: incident | every          # one conversation for all that has one cause, or every alarm and its end; not of mqtt,
//	                                     # whose events always are every one. Default: incident, of cloudevent: every
//	    repeat: DURATION                 # with style: every; absent: once. An incident is repeated while it is critical and not
//	                                     # confirmed, after 10, 20, 40, 80 and 160 minutes; over after one message that was
//	                                     # not confirmed, it is heard once more. What comes three times in seven days is silent
//	                                     # until it has stayed away for a week, its critical limits excepted
//	    until: acknowledged | cleared
//	    url: https://… | url-file: PATH, token-file: PATH, secret-file: PATH   # webhook: where to, a bearer token, and the key
//	                                     # of the signature in its header Dewline-Signature
//	    format: text                     # webhook: what a person reads, text/plain; json: the same and its parts;
//	                                     # cloudevent: the journal entry, for programs
//	    title-header: NAME               # webhook, text: the header that a push service takes as the title, such as Title;
//	                                     # absent: the title is the first line of the body
//	    template: PATH | "{{…}}"         # webhook, text and json: the keeper's own wording, see package deliver/text
//	    server: HOST:PORT *, security: starttls | tls | none, username: TEXT, password-file: PATH (both or none),
//	      from: ADDRESS *, to: [ADDRESS, …] *                               # mail
//	digest: {at: "19:00"}                # once a day what is out of band, last night's extremes, what is due and what comes, through
//	                                     # the notifiers that take low alarms at once, in quiet hours as well; absent: never
//	heartbeat: {url: https://… | url-file: PATH, every: 5m}   # asked while all is well, so that silence is noticed
//	export:                              # readings, zone seconds and alarm states leave for a metrics store as well, in order, after an
//	                                     # outage too; needs a history. The names are those of /metrics, with a label site
//	  remote-write:                      # by the Prometheus remote-write protocol, 2.0 or 1.0
//	    url: https://… | url-file: PATH *
//	    token-file: PATH                 # a bearer token; or
//	    username: TEXT, password-file: PATH
//	    ca-file: PATH
//	    since: TIME                      # nothing earlier is sent; absent: what comes from the first start on
//	panels:                              # what the page Trend draws, by title; the first is what it begins with.
//	                                     # Absent: what is out of its band, else the first two points
//	  - title: TEXT *
//	    span: 1d                         # or 1w, 1m, 1y: how far back
//	    charts: [POINT | QUANTITY | [POINT, …], …] *   # from top to bottom. POINT: PLACE/QUANTITY; QUANTITY: a chart for each place
//	                                     # that has it; [POINT, …]: drawn together, with the band of the first. At most eight charts,
//	                                     # and four points in one
//
// A relative path is relative to the folder of the configuration.
//
// The keys that identify the device of a sensor, by driver:
//
//	w1                       address: 28-0316a2794bff *
//	ds248x                   bus: I2C1 *, mux, bridge: 0x18, line: 0…7 (DS2482-800 only), address: as w1 *
//	sht4x, sht3x, htu21      bus *, mux, address, part: SHT45 (sets the accuracy); sht4x also
//	                         heater: true | {above: 90 %, for: 1h, every: 1h}
//	lm75                     bus *, mux, address, part: TMP105 (sets accuracy and resolution; absent: 0.5 K steps, as an LM75 has)
//	all others on I²C        bus *, mux, address (absent: the part's first)
//	scd4x                    bus *, mux, temperature-offset: 4 K
//	hwmon, iio               name: the kernel's *, address: which of several, such as 1-0044,
//	                         inputs: {CHANNEL: temp2, …}
//	board                    address: thermal zone
//	mqtt                     topic *, unit *: UNIT | {CHANNEL: UNIT, …} for payloads that are a number, or with
//	                         pointer: JSON Pointer | {CHANNEL: …}, or instead of both senml: NAME | {CHANNEL: …};
//	                         broker, username, password-file, ca-file where it is not the site's
//	recorded                 file: readings file *, speed: 1, loop: false
//	sim                      nothing
//
// An I²C address is written 0x44, "0x44" or 68; mux is {address: 0x70, channel: 0…7}.
//
// A BAND, here and in profiles:
//
//	low, high, critical-low, critical-high: VALUE
//	on-delay, critical-on-delay, off-delay: DURATION   # an on-delay alone holds for the critical limits too.
//	                                     # low and high of air and surfaces wait for an hour at least where the light or a
//	                                     # stage has made the limit tighter within the hour before
//	deadband: DIFFERENCE
//	priority: PRIORITY                   # of low and high; critical limits are critical
//	foresee: DURATION                    # how far ahead a limit is looked for; absent: not at all
//	source: TEXT                         # of every number here that has none of its own
//	day: {…}, night: {…}                 # any of the above, in place of the base
//	override: true                       # of a place: its band holds without those of the cohorts that live there
//
// Of the band of a place and those of all cohorts that live there the tightest limit holds, limit by limit, with its delays, its
// deadband and its priority. Bands that leave no value between them are an error.
//
// A number in a band may be written {value: 72 degF, source: TEXT}. What is not given is left to [care.Band.WithDefaults].
//
// A care profile is a file of its own:
//
//	profile: ID                          # absent: the name of the file
//	title: TEXT
//	caution: TEXT
//	stages:
//	  STAGE:
//	    gosner: "25–41"
//	    lasts: {for: DURATION *, at: TEMPERATURE *, source: TEXT}   # how long in water of that temperature
//	    notes: [TEXT, …]
//	    care: [TASK, …]                  # what to do for animals of this stage, and how often
//	    QUANTITY: BAND
//	    …
//
// A TASK:
//
//	do: feed | mist | change-water | top-up | drain | look | clean-mister | check-sensor | own-word *
//	every: DURATION                      # 1h to 1y after it was last done; absent: once in the stage
//	after: DURATION                      # since the stage began; absent: from its beginning
//	until: DURATION                      # since the stage began; absent: to its end
//	rotate: [TEXT, …]                    # what takes turns: the next one each time it is done
//	note: TEXT                           # how
//	source: TEXT                         # where interval and note come from
//
// A word may come twice in a stage where the times do not overlap, as for something that is done more often towards the end.
//
// The words:
//
//	ID          letters a to z, digits, inner hyphens
//	QUANTITY    air-temperature, water-temperature, surface-temperature, relative-humidity, pressure; in bands also
//	            dew-point, vapour-pressure-deficit, absolute-humidity, condensation-margin, oxygen-saturation
//	STAGE       egg, larva (or tadpole), metamorph, juvenile (or froglet), adult
//	CHANNEL     temperature, humidity, pressure
//	PRIORITY    low, medium, high, critical
//	VALUE       a number with its unit: 72 degF, 22 °C, 80 %, 0.8 kPa, 7 mg/L; a bare number is an error
//	DIFFERENCE  likewise: 0.3 K, 0.5 degF, 3 %RH
//	DURATION    10s, 15m, 2h, 1h30m, 7d, 2w, 2y (a year is 365 days)
//	TIME        2026-09-01, the first instant of that local day, or RFC 3339
//
// # What is checked beyond the grammar
//
// Limits in order, by day and by night; deadbands no wider than half a band; delays no longer than the time within which a
// person must act; ids given once; references that lead somewhere; places that lie in a room; stages in the order of time;
// channels that the driver has and the quantity takes; devices that no two sensors share, multiplexers considered;
// calibrations that can be believed; listeners that no other machine reaches; connections that have what they need.
// A band of a place that nothing feeds is an error, unless the site has no sensors at all, as for a replay; [LoadForReplay]
// takes it for a warning.
//
// Warned of is: night bands without light hours, a time zone that keeps no summer time, cohorts that ask for different things in
// one place, life running backwards, a sensor read faster than it measures, a part rated for non-condensing air in a wet place,
// secrets that others can read or that cross the network in clear, missing files that may still come, a key spelled with an
// underscore, a notifier whose message comes later than one must have acted,
// and a priority that goes to no notifier at once.
// [Site.Overview], which needs to know the time, adds what is not watched and which alarms no notifier sends.
package config
