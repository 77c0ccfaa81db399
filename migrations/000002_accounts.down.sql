SELECT pg_advisory_xact_lock(4715, 2);
DROP TABLE sign_in_tries;
DELETE FROM schema_done WHERE version = 2;
