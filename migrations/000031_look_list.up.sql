-- Where a farm looks at some of its first layers only, each start is drawn before
-- anybody has seen its layer: its chance (look_chance) and what came of the draw
-- stand with it for ever. Packed days keep both: 2 bytes a layer, the chance in
-- ten-thousandths, only where a layer of the day was drawn.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE look_drawn_code AS ENUM ('lot', 'risk', 'no');
ALTER TABLE first_layers ADD COLUMN look_drawn look_drawn_code;
ALTER TABLE trend_days ADD COLUMN looks bytea;
ALTER TABLE trend_days ALTER COLUMN looks SET STORAGE EXTERNAL;
-- Layers that were already graded from a list with a chance belong in: pack their days again.
DELETE FROM trend_days WHERE day IN (SELECT (started_at AT TIME ZONE 'UTC')::date FROM first_layers WHERE look_chance > 0);

INSERT INTO schema_done (version) VALUES (31);
