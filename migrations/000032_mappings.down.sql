SELECT pg_advisory_xact_lock(4715, 2);
ALTER TABLE uploads DROP COLUMN mapping;
DROP TABLE mappings;
DELETE FROM schema_done WHERE version = 32;
