-- Photos of first layers. The record says what was taken when and by whom, and the
-- SHA-256 of the picture; the picture itself stands apart, so that it can go when
-- its person asks for it while the record and the trail stay. sent is the SHA-256 of
-- the file as it came, by which a repeat is known.

SELECT pg_advisory_xact_lock(4715, 2);

ALTER TYPE event_code ADD VALUE 'photo';

CREATE TABLE photos (
    id              uuid NOT NULL,
    taken_at        timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    printer         integer NOT NULL REFERENCES printers,
    width_px        smallint CHECK (width_px BETWEEN 1 AND 10000),
    height_px       smallint CHECK (height_px BETWEEN 1 AND 10000),
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    first_layer     text NOT NULL,
    sha256          text NOT NULL CHECK (sha256 ~ '^[0-9a-f]{64}$'),
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT photos_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX photos_by_layer ON photos (first_layer);
CREATE INDEX photos_by_printer ON photos (printer, taken_at);

CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON photos FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();
CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON photos FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes();

CREATE TABLE photo_files (
    photo uuid PRIMARY KEY,
    sent  bytea CHECK (octet_length(sent) = 32),
    image bytea NOT NULL,
    thumb bytea NOT NULL
);
-- JPEG does not get smaller by packing it again.
ALTER TABLE photo_files ALTER COLUMN image SET STORAGE EXTERNAL;

INSERT INTO schema_done (version) VALUES (24);
