-- What one act recorded is found by the act: for the list of what was logged
-- lately, and for taking an act back. Acts of people at a page are few beside
-- those of machines, so they have an index of their own.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE INDEX records_by_act ON records (act);
CREATE INDEX acts_by_hand ON acts (id) WHERE via = 'page';

INSERT INTO schema_done (version) VALUES (5);
