-- What Setup needs: things that are no longer used say so (nothing is deleted),
-- the changes of one thing and the starts of one job are found at once, and an
-- uploaded bundle waits between its check and its import where every replica
-- finds it.

SELECT pg_advisory_xact_lock(4715, 2);

ALTER TABLE screws ADD COLUMN retired_at timestamptz;
ALTER TABLE materials ADD COLUMN retired_at timestamptz;
ALTER TABLE instruments ADD COLUMN retired_at timestamptz;
ALTER TABLE shifts ADD COLUMN cancelled_at timestamptz;

CREATE INDEX changes_by_thing ON changes (kind, thing) WHERE thing IS NOT NULL;
CREATE INDEX first_layers_by_job ON first_layers (job, started_at) INCLUDE (grade, underside, voided_at) WHERE job IS NOT NULL;

-- Uploads live for a day and go; they are no records. report is what the check,
-- and later the import, found.
CREATE TABLE uploads (
    id          uuid PRIMARY KEY,
    person      integer NOT NULL REFERENCES people,
    name        text NOT NULL CHECK (char_length(name) BETWEEN 1 AND 200),
    made_at     timestamptz NOT NULL,
    change      boolean NOT NULL, -- things that are there already may be changed
    stored      text NOT NULL DEFAULT 'nothing' CHECK (stored IN ('nothing', 'all', 'good_rows')),
    report      jsonb
);
CREATE INDEX uploads_by_age ON uploads (made_at);

CREATE TABLE upload_parts (
    upload uuid NOT NULL REFERENCES uploads ON DELETE CASCADE,
    what   text NOT NULL CHECK (what IN ('sent', 'refused')),
    part   integer NOT NULL,
    data   bytea NOT NULL,
    PRIMARY KEY (upload, what, part)
);
-- Zipped already: packing again costs time and saves nothing.
ALTER TABLE upload_parts ALTER COLUMN data SET STORAGE EXTERNAL;

INSERT INTO schema_done (version) VALUES (8);
