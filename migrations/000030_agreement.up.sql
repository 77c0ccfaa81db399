-- How alike people grade: blind second grades and the lots they were drawn by, practice
-- with its own items, and what it showed. Beside it what was said each day of the risk
-- of its starts, with what came: worked out once a day, and kept.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE regrade_seen_code AS ENUM ('photo', 'peeled');
ALTER TYPE event_code ADD VALUE 'regrade';
ALTER TYPE event_code ADD VALUE 'practice_item';
ALTER TYPE event_code ADD VALUE 'qualification';

CREATE TABLE regrades (
    id              uuid NOT NULL,
    graded_at       timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    chance          float8 CHECK (chance > 0 AND chance <= 1),
    printer         integer NOT NULL REFERENCES printers,
    grader          integer NOT NULL REFERENCES people,
    grade           grade_code NOT NULL,
    seen_from       regrade_seen_code NOT NULL,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    first_layer     text NOT NULL, -- as its recorder wrote the id
    marks           text CHECK (marks ~ '^[A-I][1-9]:[a-z_]+:[1-3]( [A-I][1-9]:[a-z_]+:[1-3])*$'),
    batch           text,
    note            text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT regrades_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX regrades_by_time ON regrades (graded_at, id);
CREATE INDEX regrades_by_grader ON regrades (grader, graded_at);

-- Which layers a person was drawn to grade again, in which order. The record of what
-- they gave stands in regrades; this says what is still to come.
CREATE TABLE regrade_draws (
    id          uuid PRIMARY KEY,
    batch       uuid NOT NULL,
    place       smallint NOT NULL,
    person      integer NOT NULL REFERENCES people,
    drawn_at    timestamptz NOT NULL,
    first_layer uuid NOT NULL,
    photo       uuid,
    chance      float8 NOT NULL CHECK (chance > 0 AND chance <= 1),
    passed_at   timestamptz -- could not be told, or the sheet is gone
);
CREATE INDEX regrade_draws_by_person ON regrade_draws (person, drawn_at, place);

CREATE TABLE practice_items (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    printer         integer NOT NULL REFERENCES printers,
    person          integer REFERENCES people,
    grade           grade_code NOT NULL,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    photo           text NOT NULL, -- as its recorder wrote the id
    shows           text,          -- the marks, by spaces
    why             text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT practice_items_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX practice_items_by_time ON practice_items (at, id);

CREATE TABLE qualifications (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    until           timestamptz,
    person          integer NOT NULL REFERENCES people,
    items           smallint NOT NULL CHECK (items BETWEEN 1 AND 1000),
    grades_right    float8 NOT NULL CHECK (grades_right BETWEEN 0 AND items),
    marks_right     float8 CHECK (marks_right BETWEEN 0 AND items),
    passed          yes_no NOT NULL,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    answers         text,
    note            text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT qualifications_until CHECK (until >= at),
    CONSTRAINT qualifications_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX qualifications_by_person ON qualifications (person, at);
CREATE INDEX qualifications_by_time ON qualifications (at, id);

-- One row a day of the farm's zone, written when the day after it is over: what the fit
-- of the midnight before it said of its starts, summed, beside what came of the graded
-- ones. bins are of the log-odds said; of printers and materials the names, starts
-- graded, failures expected, their variance, and failures.
CREATE TABLE risk_days (
    day              date PRIMARY KEY,
    zone             text NOT NULL,
    made_at          timestamptz NOT NULL,
    starts           integer NOT NULL,
    graded           integer NOT NULL,
    bins             smallint[] NOT NULL,
    bin_graded       integer[] NOT NULL,
    bin_expected     float8[] NOT NULL,
    bin_failed       integer[] NOT NULL,
    printers         text[] NOT NULL,
    printer_graded   integer[] NOT NULL,
    printer_expected float8[] NOT NULL,
    printer_variance float8[] NOT NULL,
    printer_failed   integer[] NOT NULL,
    materials         text[] NOT NULL,
    material_graded   integer[] NOT NULL,
    material_expected float8[] NOT NULL,
    material_variance float8[] NOT NULL,
    material_failed   integer[] NOT NULL
);

DO $$
DECLARE t text;
BEGIN
    FOREACH t IN ARRAY ARRAY['regrades', 'practice_items', 'qualifications'] LOOP
        EXECUTE format('CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON %I FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes()', t);
        EXECUTE format('CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON %I FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes()', t);
    END LOOP;
END $$;

INSERT INTO schema_done (version) VALUES (30);
