DROP TABLE upload_parts, uploads;
DROP INDEX first_layers_by_job, changes_by_thing;
ALTER TABLE shifts DROP COLUMN cancelled_at;
ALTER TABLE instruments DROP COLUMN retired_at;
ALTER TABLE materials DROP COLUMN retired_at;
ALTER TABLE screws DROP COLUMN retired_at;
DELETE FROM schema_done WHERE version = 8;
