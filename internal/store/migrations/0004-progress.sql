-- How far something that follows the history has come, such as the export to a metrics store. body is its own.
CREATE TABLE progress (
	id   INTEGER PRIMARY KEY,
	name TEXT NOT NULL UNIQUE,
	body BLOB NOT NULL
);
