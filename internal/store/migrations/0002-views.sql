-- Views for people who bring their own queries: plain SQL, for any SQLite from version 3.38. Times are in milliseconds:
-- datetime(at/1000, 'unixepoch') shows them. Restrict point and chunk_start, and only the chunks in question are decoded; a
-- chunk reaches at most two hours from its start:
--
--   SELECT datetime(minute/1000, 'unixepoch'), min, mean, max FROM minutes
--   WHERE point = 'tub-1/water-temperature' AND chunk_start BETWEEN 1788220800000 AND 1788307200000;

-- Every chunk, those that still grow included. form is the codec byte, whose values are below 8.
CREATE VIEW piece AS
SELECT id, point, segment, start, span, count, unusable, low, high, total, flags, period, origin, scale, samples,
	instr('01234567', substr(hex(substr(samples, 1, 1)), 2, 1)) - 1 AS form
FROM chunk
UNION ALL
SELECT id, point, segment, start, span, count, unusable, low, high, total, flags, period, origin, scale, samples,
	instr('01234567', substr(hex(substr(samples, 1, 1)), 2, 1)) - 1
FROM growing;

-- The summaries of the chunks: fast over years.
CREATE VIEW chunks AS
SELECT p.name AS point, s.run, c.segment, c.id AS chunk, c.start AS chunk_start, c.start + c.span AS chunk_end, c.count, c.unusable,
	c.low AS min, c.total / nullif(c.count - c.unusable, 0) AS mean, c.high AS max, c.flags
FROM piece c JOIN point p ON p.id = c.point JOIN segment s ON s.id = c.segment;

-- The entries of each chunk as a JSON array of [time, value, flag, number, part], but for the last bits of the value:
-- corrections in units in the last place (column fix) are left out. number is the number of usable readings behind the
-- value: 1, or more where only minutes are left; of those each has three entries, with part 0 (mean), 1 (least) and 2
-- (greatest).
--
-- The inner query takes one group of four bits of the samples in a step. z is the number it belongs to, as far as it was
-- read, done says that it is whole, and want what it is: 0 a time, 1 a value, 2 what follows an escape, 3 a k in full, 4 the
-- number of entries, 5 the number of readings. news is 1 where k has become the value of an entry and 2 where the entry
-- has none; ends is 1 with the last value of an entry.
CREATE VIEW decoded AS
SELECT p.name AS point, s.run, c.segment, c.id AS chunk, c.start AS chunk_start, (
	WITH RECURSIVE step (pos, z, done, want, at, k, flag, number, part, next, rest, news, ends) AS (
		SELECT 1, 0, 1, -1, iif(c.form & 2, c.start, c.start - c.period), 0, 1, 1, 0, 0, c.count, 0, 0
		UNION ALL
		SELECT pos + 1,
			iif(done, 0, z) << 3
				| (instr('0123456789ABCDEF', substr(hex(substr(c.samples, (pos + 1) / 2 + 1, 1)), (pos + 1) % 2 + 1, 1)) - 1 & 7),
			instr('0123456789ABCDEF', substr(hex(substr(c.samples, (pos + 1) / 2 + 1, 1)), (pos + 1) % 2 + 1, 1)) <= 8,
			CASE
				WHEN NOT done THEN want
				WHEN want = -1 THEN iif(c.form & 4, 4, iif(c.form & 2, 1, 0))
				WHEN want = 4 THEN iif(c.form & 2, 5, 0)
				WHEN want = 0 THEN iif(c.form & 4, 5, 1)
				WHEN want = 5 THEN 1
				WHEN want = 1 AND z = 0 THEN 2
				WHEN want = 2 AND z = 10 THEN 3
				WHEN want = 2 AND z > 0 THEN 1
				WHEN c.form & 4 AND next < 2 THEN 1
				WHEN c.form & 2 THEN iif(c.form & 4, 5, 1)
				ELSE 0
			END,
			at + iif(ends AND c.form & 2, c.period, 0)
				+ iif(done AND want = 0, c.period + (z >> 1 & 9223372036854775807) * (1 - 2 * (z & 1)) - (z & 1), 0),
			CASE
				WHEN done AND want = 1 AND z <> 0 THEN k + (z - 1 >> 1 & 9223372036854775807) * (1 - 2 * (z - 1 & 1)) - (z - 1 & 1)
				WHEN done AND want = 3 THEN (z >> 1 & 9223372036854775807) * (1 - 2 * (z & 1)) - (z & 1)
				ELSE k
			END,
			iif(done AND want = 2 AND z BETWEEN 1 AND 9, z, flag),
			iif(done AND want = 5, z, number),
			next,
			iif(done AND (want = 1 AND z <> 0 OR want = 2 AND z = 0 OR want = 3) AND c.form & 4, (next + 1) % 3, next),
			CASE
				WHEN done AND want = 4 THEN z
				ELSE rest - (done AND (want = 1 AND z <> 0 OR want = 2 AND z = 0 OR want = 3) AND (c.form & 4 = 0 OR next = 2))
			END,
			CASE
				WHEN done AND (want = 1 AND z <> 0 OR want = 3) THEN 1
				WHEN done AND want = 2 AND z = 0 THEN 2
				ELSE 0
			END,
			done AND (want = 1 AND z <> 0 OR want = 2 AND z = 0 OR want = 3) AND (c.form & 4 = 0 OR next = 2)
		FROM step WHERE rest > 0 AND pos <= 2 * length(c.samples)
	)
	SELECT json_group_array(json_array(at, CASE
		WHEN news = 2 THEN NULL
		WHEN c.form & 1 = 0 THEN c.origin + k / c.scale
		-- The bits of a float: sign, exponent, and 52 bits of fraction; what is too near zero or too far away is left out.
		WHEN k IN (0, -1) THEN 0.0
		WHEN iif(k < 0, ~k, k) >> 52 BETWEEN 963 AND 1083 THEN
			iif(k < 0, -1, 1) * ((iif(k < 0, ~k, k) & 4503599627370495 | 4503599627370496) / 4503599627370496.0)
			* iif(iif(k < 0, ~k, k) >> 52 >= 1023, 1 << (iif(k < 0, ~k, k) >> 52) - 1023, 1.0 / (1 << 1023 - (iif(k < 0, ~k, k) >> 52)))
	END, flag, number, part)) FROM step WHERE news > 0
) AS entries
FROM piece c JOIN point p ON p.id = c.point JOIN segment s ON s.id = c.segment;

CREATE VIEW readings AS
SELECT d.point, d.run, d.segment, d.chunk, d.chunk_start,
	e.value ->> 0 AS at, e.value ->> 1 AS value, e.value ->> 2 AS flag, e.value ->> 3 AS number, e.value ->> 4 AS part
FROM decoded d JOIN json_each(d.entries) e;

-- Minutes with at least one usable reading. A minute that two chunks share (after a restart or a step of the clock) has a row
-- for each of them.
CREATE VIEW minutes AS
SELECT d.point, d.run, d.segment, d.chunk, d.chunk_start, m.value ->> 0 AS minute,
	m.value ->> 1 AS min, m.value ->> 2 AS mean, m.value ->> 3 AS max, m.value ->> 4 AS count
FROM decoded d JOIN json_each((
	SELECT json_group_array(json_array(minute, low, mean, high, number)) FROM (
		SELECT (e.value ->> 0) / 60000 * 60000 AS minute, min(e.value ->> 1) AS low, max(e.value ->> 1) AS high,
			sum(iif(e.value ->> 4 = 0, e.value ->> 3, 0)) AS number,
			sum(iif(e.value ->> 4 = 0, (e.value ->> 1) * (e.value ->> 3), 0)) / sum(iif(e.value ->> 4 = 0, e.value ->> 3, 0)) AS mean
		FROM json_each(d.entries) e
		WHERE e.value ->> 2 IN (1, 2, 3) AND e.value ->> 1 IS NOT NULL AND e.value ->> 3 > 0
		GROUP BY 1
	)
)) m;

-- What the journal says of people's doing.
CREATE VIEW notes AS
SELECT at, place, body ->> 'by' AS by, body ->> 'text' AS text FROM journal WHERE kind = 'note';
CREATE VIEW mistings AS
SELECT at, place, body ->> 'by' AS by, body ->> 'reason' AS reason, body ->> 'until' AS until FROM journal WHERE kind = 'misting';
CREATE VIEW stages AS
SELECT at, body ->> 'cohort' AS cohort, body ->> 'stage' AS stage, body ->> 'by' AS by FROM journal WHERE kind = 'stage.set';
CREATE VIEW alarms AS
SELECT at, alarm, kind, body ->> 'priority' AS priority, body ->> 'state' AS state, body ->> 'value' AS value,
	body ->> 'setpoint' AS setpoint, body ->> 'occurrence' AS occurrence, body ->> 'by' AS by, body ->> 'reason' AS reason
FROM journal WHERE kind GLOB 'alarm.*';
