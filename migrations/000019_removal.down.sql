SELECT pg_advisory_xact_lock(4715, 2);
DROP INDEX people_to_remove;
ALTER TABLE people DROP COLUMN remove_at, DROP COLUMN removed_at;
DELETE FROM schema_done WHERE version = 19;
