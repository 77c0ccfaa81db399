SELECT pg_advisory_xact_lock(4715, 2);
DROP TABLE job_forecasts;
DELETE FROM schema_done WHERE version = 13;
