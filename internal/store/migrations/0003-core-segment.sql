-- The segment in which the state of the core was recorded: what an earlier one holds, it has seen. Without it a state that was
-- recorded after the clock was set back would be brought up to date with readings from before that.
ALTER TABLE core ADD COLUMN segment INTEGER NOT NULL DEFAULT 0;
