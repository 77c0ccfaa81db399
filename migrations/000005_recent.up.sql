-- What one act recorded lies together in records, since acts are numbered as
-- they come: a summary by range finds it, and costs an import nothing. It serves
-- the list of what was logged lately, and taking an act back. Acts of people at a page are few beside
-- those of machines, so they have an index of their own.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE INDEX records_by_act ON records USING brin (act) WITH (pages_per_range = 8, autosummarize = on);
CREATE INDEX acts_by_hand ON acts (id) WHERE via = 'page';

INSERT INTO schema_done (version) VALUES (5);
