SELECT pg_advisory_xact_lock(4715, 2);
DROP TABLE deliveries, webhooks, mail_addresses, notice_settings, person_notices, notice_watches, notices;
DELETE FROM schema_done WHERE version = 16;
