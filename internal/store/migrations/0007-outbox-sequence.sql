-- Ids of the outbox rise while the program runs. That none was ever used again, not by a later run with an empty outbox either, had its
-- price: each message changed a page of sqlite_sequence too, and nothing asks for it. The form of the table on the disk stays the same, so
-- its text is all that changes (https://sqlite.org/lang_altertable.html#making_other_kinds_of_table_schema_changes).
PRAGMA writable_schema = on;
UPDATE sqlite_schema SET sql = replace(sql, 'PRIMARY KEY AUTOINCREMENT', 'PRIMARY KEY') WHERE name = 'outbox';
PRAGMA writable_schema = reset;
