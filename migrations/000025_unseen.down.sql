SELECT pg_advisory_xact_lock(4715, 2);
ALTER TABLE holds DROP COLUMN release_is;
ALTER TABLE first_layers DROP COLUMN unseen;
DROP TYPE release_code;
DROP TYPE unseen_code;
DELETE FROM schema_done WHERE version = 25;
