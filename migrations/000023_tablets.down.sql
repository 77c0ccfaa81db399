SELECT pg_advisory_xact_lock(4715, 2);

DROP TABLE pins;
DROP TABLE tablets;

DELETE FROM schema_done WHERE version = 23;
