SELECT pg_advisory_xact_lock(4715, 2);

DROP INDEX records_of_act;
DROP INDEX first_layers_waiting;

DELETE FROM schema_done WHERE version = 39;
