-- The starts that wait for a grade are a few of the last day's, and operators ask for
-- them all the time: where machines record by the thousand, reading the day's to find
-- them took the Grade page 10 to 20 ms.
--
-- What an act recorded was found by a summary of ranges (records_by_act), which knows
-- the newest records a minute late or more, so that pages which list what was logged
-- read all of those for each act, and so did each seal. Records come in the order of
-- their acts, at the right end of this index, which costs little.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE INDEX first_layers_waiting ON first_layers (started_at, id) WHERE grade IS NULL AND outcome IS NULL AND voided_at IS NULL;
CREATE INDEX records_of_act ON records (act);

INSERT INTO schema_done (version) VALUES (39);
