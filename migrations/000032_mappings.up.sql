-- How logs with other headings, dates and words are read, by name; and the
-- mapping of an upload that is such a log.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TABLE mappings (
    mapping    text PRIMARY KEY CHECK (char_length(mapping) BETWEEN 1 AND 64),
    says       text NOT NULL CHECK (char_length(says) <= 10000), -- JSON
    retired_at timestamptz
);

ALTER TABLE uploads ADD COLUMN mapping text; -- JSON, perhaps not complete yet; NULL: the upload is a bundle

INSERT INTO schema_done (version) VALUES (32);
