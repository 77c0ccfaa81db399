SELECT pg_advisory_xact_lock(4715, 2);
ALTER TABLE trend_days DROP COLUMN looks;
ALTER TABLE first_layers DROP COLUMN look_drawn;
DROP TYPE look_drawn_code;
DELETE FROM schema_done WHERE version = 31;
