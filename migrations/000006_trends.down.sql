SELECT pg_advisory_xact_lock(4715, 2);
DROP TABLE trend_days, trend_marks;
DELETE FROM schema_done WHERE version = 6;
