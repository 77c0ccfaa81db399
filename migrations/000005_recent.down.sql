SELECT pg_advisory_xact_lock(4715, 2);
DROP INDEX acts_by_hand;
DROP INDEX records_by_act;
DELETE FROM schema_done WHERE version = 5;
