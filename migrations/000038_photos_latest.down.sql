SELECT pg_advisory_xact_lock(4715, 2);

DROP INDEX photos_latest;

DELETE FROM schema_done WHERE version = 38;
