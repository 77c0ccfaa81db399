SELECT pg_advisory_xact_lock(4715, 2);

DROP TABLE schema_oldest;
DROP TABLE sign_in_links;

DELETE FROM schema_done WHERE version = 33;
