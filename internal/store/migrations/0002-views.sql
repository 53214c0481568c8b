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
