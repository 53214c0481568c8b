-- What entries of the journal have changed of the state of the core since that was recorded, in the order of the entries.
CREATE TABLE core_part (
	id    INTEGER PRIMARY KEY,
	state BLOB NOT NULL
);
