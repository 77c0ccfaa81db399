SELECT pg_advisory_xact_lock(4715, 2);
DROP TABLE recovery_codes, second_factors, first_uses;
DELETE FROM schema_done WHERE version = 18;
