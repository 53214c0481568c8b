-- The first form of the history file. Times are milliseconds since 1970-01-01T00:00:00Z.

CREATE TABLE point (
	id   INTEGER PRIMARY KEY,
	name TEXT NOT NULL UNIQUE -- such as tub-1/water-temperature
);

-- A stretch of one run (boot) of the daemon without a step of the clock. Later ones have higher ids.
CREATE TABLE segment (
	id  INTEGER PRIMARY KEY,
	run TEXT NOT NULL
);

-- Closed chunks of readings. Ids rise in the order in which the chunks were begun. span is the time from the first reading to the
-- last; unusable counts the readings that are not in low, high and total (flag 4 or 9); flags is the sum of 1<<flag of the
-- flags that occur. thin is 1 where only minutes are left. The rest is described in codec.go.
CREATE TABLE chunk (
	id       INTEGER PRIMARY KEY,
	point    INTEGER NOT NULL REFERENCES point,
	segment  INTEGER NOT NULL REFERENCES segment,
	start    INTEGER NOT NULL,
	span     INTEGER NOT NULL,
	count    INTEGER NOT NULL,
	unusable INTEGER NOT NULL,
	low      REAL,
	high     REAL,
	total    REAL NOT NULL,
	flags    INTEGER NOT NULL,
	thin     INTEGER NOT NULL DEFAULT 0,
	period   INTEGER NOT NULL,
	origin   REAL NOT NULL,
	scale    REAL NOT NULL,
	fix      BLOB,
	samples  BLOB NOT NULL
);

-- Covers the questions about summaries, so that they do not touch the readings.
CREATE INDEX chunk_summary ON chunk (point, start, span, segment, count, unusable, low, high, total, flags);

-- The chunks that still grow: all rewritten at each commit. The columns are those of chunk.
CREATE TABLE growing (
	id       INTEGER PRIMARY KEY,
	point    INTEGER NOT NULL REFERENCES point,
	segment  INTEGER NOT NULL REFERENCES segment,
	start    INTEGER NOT NULL,
	span     INTEGER NOT NULL,
	count    INTEGER NOT NULL,
	unusable INTEGER NOT NULL,
	low      REAL,
	high     REAL,
	total    REAL NOT NULL,
	flags    INTEGER NOT NULL,
	thin     INTEGER NOT NULL DEFAULT 0,
	period   INTEGER NOT NULL,
	origin   REAL NOT NULL,
	scale    REAL NOT NULL,
	fix      BLOB,
	samples  BLOB NOT NULL
);

-- body is the entry as JSON; the other columns are for looking it up. Ids rise in the order of recording.
CREATE TABLE journal (
	id    INTEGER PRIMARY KEY,
	run   TEXT NOT NULL,
	seq   INTEGER NOT NULL,
	at    INTEGER NOT NULL,
	kind  TEXT NOT NULL,
	alarm TEXT,
	place TEXT,
	body  TEXT NOT NULL,
	UNIQUE (run, seq)
);
CREATE INDEX journal_seq ON journal (seq);
CREATE INDEX journal_at ON journal (at);

-- What still has to reach somebody, by outlet. Ids rise and are never used again. event is the identity that every repeat
-- of the delivery carries. class 1 (alarm) is never dropped for want of room or for age, 0 (telemetry) may be.
CREATE TABLE outbox (
	id     INTEGER PRIMARY KEY AUTOINCREMENT,
	outlet TEXT NOT NULL,
	event  TEXT NOT NULL,
	class  INTEGER NOT NULL,
	topic  TEXT NOT NULL,
	at     INTEGER, -- NULL: not known
	body   BLOB NOT NULL
);

-- The state of the core after the last entry of the journal, compressed (RFC 1951).
CREATE TABLE core (
	id    INTEGER PRIMARY KEY CHECK (id = 1),
	at    INTEGER NOT NULL,
	state BLOB NOT NULL
);

-- A comparison of one channel of a sensor with a reference; uncertainties are expanded (k = 2).
CREATE TABLE calibration (
	id          INTEGER PRIMARY KEY,
	at          INTEGER NOT NULL,
	sensor      TEXT NOT NULL,
	channel     TEXT NOT NULL,
	reference   REAL NOT NULL,
	uncertainty REAL NOT NULL,
	against     TEXT NOT NULL, -- in words, such as "ice bath"
	readings    TEXT NOT NULL  -- the uncorrected readings, as a JSON array
);
CREATE INDEX calibration_of ON calibration (sensor, channel, at);
