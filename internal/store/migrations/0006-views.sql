-- Views for people who bring their own queries: plain SQL, for any SQLite from version 3.38. Times are in milliseconds:
-- datetime(at/1000, 'unixepoch') shows them. Restrict point and chunk_start, and only the chunks in question are decoded; a
-- chunk reaches at most two hours from its start:
--
--   SELECT datetime(minute/1000, 'unixepoch'), min, mean, max FROM minutes
--   WHERE point = 'tub-1/water-temperature' AND chunk_start BETWEEN 1788220800000 AND 1788307200000;

-- Every chunk, those that still grow included. form is the codec byte, whose values are below 16.
DROP VIEW IF EXISTS piece;
CREATE VIEW piece AS
SELECT id, point, segment, start, span, count, unusable, low, high, total, flags, period, origin, scale, samples,
	instr('123456789ABCDEF', substr(hex(substr(samples, 1, 1)), 2, 1)) AS form
FROM chunk
UNION ALL
SELECT id, point, segment, start, span, count, unusable, low, high, total, flags, period, origin, scale, samples,
	instr('123456789ABCDEF', substr(hex(substr(samples, 1, 1)), 2, 1))
FROM growing;

-- The summaries of the chunks: fast over years.
DROP VIEW IF EXISTS chunks;
CREATE VIEW chunks AS
SELECT p.name AS point, s.run, c.segment, c.id AS chunk, c.start AS chunk_start, c.start + c.span AS chunk_end, c.count, c.unusable,
	c.low AS min, c.total / nullif(c.count - c.unusable, 0) AS mean, c.high AS max, c.flags
FROM piece c JOIN point p ON p.id = c.point JOIN segment s ON s.id = c.segment;

-- The entries of each chunk as a JSON array of [time, value, flag], but for the last bits of the value: corrections in units in the
-- last place (column fix) are left out.
--
-- For the form of codec.go a step of the inner query takes one group of four bits of the samples. z is the number it belongs to, as far
-- as it was read, done says that it is whole, and want what it is: 0 a time, 1 a value, 2 what follows an escape, 3 a k in full. news is 1
-- where k has become the value of an entry and 2 where the entry has none.
--
-- For the form of rice.go a step takes a bit of the zeros before a number and of the one behind them, or so many bits as want & 31 says.
-- want >> 5 is what they are: 0 and 1 a time, 2 and 3 a value, 4 what follows an escape of a value, 5 to 8 and 9 to 12 the parts of a time and
-- a value in full; 13 is no bits, and has its turn once an escape is read. got is the want of the step before, and z what was read for it.
DROP VIEW IF EXISTS decoded;
CREATE VIEW decoded AS
SELECT p.name AS point, s.run, c.segment, c.id AS chunk, c.start AS chunk_start, iif(c.form < 8, (
	WITH RECURSIVE step (pos, z, done, want, at, k, flag, rest, news) AS (
		SELECT 1, 0, 1, -1, iif(c.form & 2, c.start, c.start - c.period), 0, 1, c.count, 0
		UNION ALL
		SELECT pos + 1,
			iif(done, 0, z) << 3
				| (instr('123456789ABCDEF', substr(hex(substr(c.samples, (pos + 1) / 2 + 1, 1)), (pos + 1) % 2 + 1, 1)) & 7),
			instr('123456789ABCDEF', substr(hex(substr(c.samples, (pos + 1) / 2 + 1, 1)), (pos + 1) % 2 + 1, 1)) < 8,
			CASE
				WHEN NOT done THEN want
				WHEN want = 0 THEN 1
				WHEN want = 1 AND z = 0 THEN 2
				WHEN want = 2 AND z = 10 THEN 3
				WHEN want = 2 AND z > 0 THEN 1
				ELSE iif(c.form & 2, 1, 0)
			END,
			at + iif(news AND c.form & 2, c.period, 0)
				+ iif(done AND want = 0, c.period + (z >> 1 & 9223372036854775807) * (1 - 2 * (z & 1)) - (z & 1), 0),
			CASE
				WHEN done AND want = 1 AND z <> 0 THEN k + (z - 1 >> 1 & 9223372036854775807) * (1 - 2 * (z - 1 & 1)) - (z - 1 & 1)
				WHEN done AND want = 3 THEN (z >> 1 & 9223372036854775807) * (1 - 2 * (z & 1)) - (z & 1)
				ELSE k
			END,
			iif(done AND want = 2 AND z BETWEEN 1 AND 9, z, flag),
			rest - (done AND (want = 1 AND z <> 0 OR want = 2 AND z = 0 OR want = 3)),
			CASE
				WHEN done AND (want = 1 AND z <> 0 OR want = 3) THEN 1
				WHEN done AND want = 2 AND z = 0 THEN 2
				ELSE 0
			END
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
	END, flag)) FROM step WHERE news > 0
), (
	WITH RECURSIVE step (pos, got, want, z, expected, at, k, flag, rest, news) AS (
		SELECT 32, -1, iif(c.form & 2, 64, 0), 0,
			c.start - (instr('123456789ABCDEF', substr(hex(substr(c.samples, 4, 1)), 1, 1)) << 4 | instr('123456789ABCDEF', substr(hex(substr(c.samples, 4, 1)), 2, 1))),
			0, 0, 1, c.count, 0
		UNION ALL
		SELECT pos + iif(want IN (0, 64), 1, want & 31),
			want,
			CASE
				WHEN want IN (0, 64) AND NOT (instr('123456789ABCDEF', substr(hex(substr(c.samples, pos / 8 + 1, 1)), pos / 4 % 2 + 1, 1)) >> 3 - pos % 4 & 1) THEN want
				WHEN want = 0 THEN iif(got = 0 AND z = 12, 176, 32 + instr('123456789ABCDEF', substr(hex(substr(c.samples, 2, 1)), 1, 1)))
				WHEN want = 64 THEN iif(got = 64 AND z = 12, 132, 96 + instr('123456789ABCDEF', substr(hex(substr(c.samples, 2, 1)), 2, 1)))
				WHEN want >> 5 IN (1, 8) THEN 64
				WHEN want = 132 THEN 416
				WHEN want = 416 AND z = 10 THEN 304
				WHEN want = 416 AND z > 0 THEN 64
				WHEN want >> 5 IN (5, 6, 7, 9, 10, 11) THEN want + 32
				ELSE iif(c.form & 2, 64, 0)
			END,
			CASE WHEN want IN (0, 64) THEN iif(got = want, z, 0) + 1
				- (instr('123456789ABCDEF', substr(hex(substr(c.samples, pos / 8 + 1, 1)), pos / 4 % 2 + 1, 1)) >> 3 - pos % 4 & 1)
			ELSE iif(want IN (132, 176, 304), 0, z) << (want & 31)
				| ((((((instr('123456789ABCDEF', substr(hex(substr(c.samples, pos / 8 + 1, 3)), 1, 1)) << 4 | instr('123456789ABCDEF', substr(hex(substr(c.samples, pos / 8 + 1, 3)), 2, 1)))
				<< 4 | instr('123456789ABCDEF', substr(hex(substr(c.samples, pos / 8 + 1, 3)), 3, 1)))
				<< 4 | instr('123456789ABCDEF', substr(hex(substr(c.samples, pos / 8 + 1, 3)), 4, 1)))
				<< 4 | instr('123456789ABCDEF', substr(hex(substr(c.samples, pos / 8 + 1, 3)), 5, 1)))
				<< 4 | instr('123456789ABCDEF', substr(hex(substr(c.samples, pos / 8 + 1, 3)), 6, 1)))
				>> 24 - pos % 8 - (want & 31) & (1 << (want & 31)) - 1)
			END,
			expected + iif(news, c.period, 0) + iif(c.form & 4 AND got >> 5 IN (1, 8), (z >> 1 & 9223372036854775807) * (1 - 2 * (z & 1)) - (z & 1), 0),
			iif(got >> 5 IN (1, 8), expected + iif(c.form & 4, (z >> 1 & 9223372036854775807) * (1 - 2 * (z & 1)) - (z & 1), z), at),
			k + iif(got >> 5 IN (3, 12), (z >> 1 & 9223372036854775807) * (1 - 2 * (z & 1)) - (z & 1), 0),
			iif(got = 416 AND z BETWEEN 1 AND 9, z, flag),
			rest - (got >> 5 IN (3, 12) OR got = 416 AND z = 0),
			CASE WHEN got >> 5 IN (3, 12) THEN 1 WHEN got = 416 AND z = 0 THEN 2 ELSE 0 END
		FROM step WHERE rest > 0 AND pos <= 8 * length(c.samples)
	)
	SELECT json_group_array(json_array(iif(c.form & 2, expected, at), iif(news = 1, c.origin + k
		* (instr('123456789ABCDEF', substr(hex(substr(c.samples, 3, 1)), 1, 1)) << 4 | instr('123456789ABCDEF', substr(hex(substr(c.samples, 3, 1)), 2, 1)))
		/ c.scale, NULL), flag)) FROM step WHERE news > 0
)) AS entries
FROM piece c JOIN point p ON p.id = c.point JOIN segment s ON s.id = c.segment;

-- number and part are always 1 and 0: each entry is one reading.
DROP VIEW IF EXISTS readings;
CREATE VIEW readings AS
SELECT d.point, d.run, d.segment, d.chunk, d.chunk_start,
	e.value ->> 0 AS at, e.value ->> 1 AS value, e.value ->> 2 AS flag, 1 AS number, 0 AS part
FROM decoded d JOIN json_each(d.entries) e;

-- Minutes with at least one usable reading. A minute that two chunks share (after a restart or a step of the clock) has a row
-- for each of them.
DROP VIEW IF EXISTS minutes;
CREATE VIEW minutes AS
SELECT d.point, d.run, d.segment, d.chunk, d.chunk_start, m.value ->> 0 AS minute,
	m.value ->> 1 AS min, m.value ->> 2 AS mean, m.value ->> 3 AS max, m.value ->> 4 AS count
FROM decoded d JOIN json_each((
	SELECT json_group_array(json_array(minute, low, mean, high, number)) FROM (
		SELECT (e.value ->> 0) / 60000 * 60000 AS minute, min(e.value ->> 1) AS low, avg(e.value ->> 1) AS mean,
			max(e.value ->> 1) AS high, count(*) AS number
		FROM json_each(d.entries) e
		WHERE e.value ->> 2 IN (1, 2, 3) AND e.value ->> 1 IS NOT NULL
		GROUP BY 1
	)
)) m;
