-- The farm: things known by tag or name, events that happen to them, the one
-- table of ids, and the record of who wrote what.
--
-- Reading guide
--   * Columns carry the names of the bundle's columns. A reference (printer,
--     plate, material, person, ...) is the small integer key of the thing, so
--     that a name can change or go without touching a single event.
--   * NULL is "unknown" everywhere; defaults of the bundle for a first layer
--     (start_is, layer_height_mm, line_width_mm) are applied by readers, because
--     a field that was left empty may still be filled once.
--   * Codes are enums: checked by their type, four bytes, in the order people
--     read them.
--   * Ids are unique in records alone, so that event tables can be cut by time
--     later. An event is found by records -> (owner, happened_at).
--   * Nothing is ever deleted: a wrong record is voided, and a trigger refuses
--     DELETE and TRUNCATE.

-- Held while this file runs, so that a start after a crash can wait for a
-- backend that is still at it (see internal/store/migrate.go).
SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE surface_code AS ENUM ('pei_textured', 'pei_smooth', 'glass', 'garolite', 'polypropylene', 'other');
CREATE TYPE grade_code AS ENUM ('clean', 'cosmetic', 'marginal', 'failed');
CREATE TYPE method_code AS ENUM ('wipe', 'wash', 'deep', 'coat');
CREATE TYPE role_code AS ENUM ('tablet', 'operator', 'manager', 'admin');
CREATE TYPE yes_no AS ENUM ('yes', 'no');
CREATE TYPE side_code AS ENUM ('a', 'b');
CREATE TYPE zero_from_code AS ENUM ('plate', 'frame');
CREATE TYPE recorded_code AS ENUM ('all', 'some', 'none');
CREATE TYPE start_is_code AS ENUM ('first_line', 'sent');
CREATE TYPE underside_code AS ENUM ('hidden', 'shown');
CREATE TYPE seen_from_code AS ENUM ('above_printing', 'above_done', 'underside');
CREATE TYPE decision_code AS ENUM ('let_run', 'nudged', 'stopped');
CREATE TYPE outcome_code AS ENUM ('finished', 'restarted', 'detached', 'stopped', 'scrapped');
CREATE TYPE looked_because_code AS ENUM ('round', 'lot', 'risk', 'looked_bad', 'asked');
CREATE TYPE extent_code AS ENUM ('full', 'part', 'zero');
CREATE TYPE skip_reason_code AS ENUM ('hurry', 'trusted', 'short_job', 'broken', 'told_to', 'drawn_by_lot', 'other');
CREATE TYPE work_code AS ENUM ('nozzle', 'moved', 'bed', 'other');
CREATE TYPE plate_state_code AS ENUM ('in_use', 'in_wash', 'set_aside', 'retired');
CREATE TYPE subject_code AS ENUM ('printer', 'plate');
CREATE TYPE instrument_code AS ENUM ('micrometer', 'caliper', 'scale');
CREATE TYPE check_code AS ENUM ('good', 'bad');
CREATE TYPE event_code AS ENUM ('first_layer', 'cleaning', 'probe', 'probe_skipped', 'offset_change',
    'service', 'fitting', 'plate_state', 'hold');

-- Things ------------------------------------------------------------------

CREATE TABLE printers (
    id               integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    printer          text NOT NULL UNIQUE CHECK (char_length(printer) BETWEEN 1 AND 64),
    name             text,
    bay              text,
    bed_x_mm         float8 NOT NULL CHECK (bed_x_mm BETWEEN 50 AND 2000),
    bed_y_mm         float8 NOT NULL CHECK (bed_y_mm BETWEEN 50 AND 2000),
    zone_cols        smallint NOT NULL DEFAULT 3 CHECK (zone_cols BETWEEN 1 AND 9),
    zone_rows        smallint NOT NULL DEFAULT 3 CHECK (zone_rows BETWEEN 1 AND 9),
    z_step_mm        float8 NOT NULL DEFAULT 0.01 CHECK (z_step_mm > 0 AND z_step_mm <= 1),
    zero_from        zero_from_code,
    probing_recorded recorded_code NOT NULL DEFAULT 'all',
    in_service_from  timestamptz,
    retired_at       timestamptz,
    CONSTRAINT printers_times CHECK (retired_at >= in_service_from)
);
-- No two tags may differ by case only.
CREATE UNIQUE INDEX printers_tag_any_case ON printers (lower(printer));

CREATE TABLE screws (
    printer  integer NOT NULL REFERENCES printers,
    screw    text NOT NULL CHECK (char_length(screw) BETWEEN 1 AND 64),
    x_mm     float8 NOT NULL CHECK (x_mm BETWEEN -2000 AND 4000),
    y_mm     float8 NOT NULL CHECK (y_mm BETWEEN -2000 AND 4000),
    pitch_mm float8 NOT NULL CHECK (pitch_mm > 0 AND pitch_mm <= 20),
    PRIMARY KEY (printer, screw)
);

CREATE TABLE plates (
    id              integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    plate           text NOT NULL UNIQUE CHECK (char_length(plate) BETWEEN 1 AND 64),
    surface         surface_code NOT NULL,
    size_x_mm       float8 CHECK (size_x_mm > 0 AND size_x_mm <= 4000),
    size_y_mm       float8 CHECK (size_y_mm > 0 AND size_y_mm <= 4000),
    in_service_from timestamptz,
    retired_at      timestamptz,
    CONSTRAINT plates_times CHECK (retired_at >= in_service_from)
);
CREATE UNIQUE INDEX plates_tag_any_case ON plates (lower(plate));

CREATE TABLE materials (
    id         integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    material   text NOT NULL UNIQUE CHECK (char_length(material) BETWEEN 1 AND 64),
    polymer    text,
    bed_temp_c float8 CHECK (bed_temp_c BETWEEN 0 AND 200),
    note       text
);

CREATE TABLE people (
    id          integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    person      text NOT NULL UNIQUE CHECK (char_length(person) BETWEEN 1 AND 64),
    name        text,
    role        role_code NOT NULL DEFAULT 'operator' CHECK (role <> 'tablet'),
    disabled_at timestamptz
);

CREATE TABLE jobs (
    id                  integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    job                 text NOT NULL UNIQUE CHECK (char_length(job) BETWEEN 1 AND 64),
    name                text,
    quantity            integer CHECK (quantity > 0),
    plates_needed       integer CHECK (plates_needed > 0),
    hours_per_plate     float8 CHECK (hours_per_plate > 0 AND hours_per_plate <= 10000),
    first_layer_minutes float8 CHECK (first_layer_minutes > 0 AND first_layer_minutes <= 10000),
    material            integer REFERENCES materials,
    underside           underside_code,
    earliest_start      timestamptz,
    due                 timestamptz,
    value               float8 CHECK (value >= 0 AND value < 'infinity'),
    late_fee_per_hour   float8 CHECK (late_fee_per_hour >= 0 AND late_fee_per_hour < 'infinity'),
    closed_at           timestamptz
);

CREATE TABLE shifts (
    shift     text PRIMARY KEY CHECK (char_length(shift) BETWEEN 1 AND 64),
    person    integer NOT NULL REFERENCES people,
    starts_at timestamptz NOT NULL,
    ends_at   timestamptz NOT NULL,
    bay       text,
    CONSTRAINT shifts_times CHECK (ends_at > starts_at)
);
CREATE INDEX shifts_by_time ON shifts (starts_at);

CREATE TABLE instruments (
    id             integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    instrument     text NOT NULL UNIQUE CHECK (char_length(instrument) BETWEEN 1 AND 64),
    kind           instrument_code,
    resolution_mm  float8 CHECK (resolution_mm BETWEEN 0 AND 10),
    uncertainty_mm float8 CHECK (uncertainty_mm BETWEEN 0 AND 10),
    checked_at     timestamptz,
    check_due      timestamptz,
    check_result   check_code
);

CREATE TABLE settings (
    key   text PRIMARY KEY,
    value text NOT NULL
);

-- Who may enter -----------------------------------------------------------

CREATE TABLE passwords (
    person     integer PRIMARY KEY REFERENCES people,
    hash       text NOT NULL,
    changed_at timestamptz NOT NULL
);

-- The token itself is shown once and never kept: hash is its SHA-256.
CREATE TABLE tokens (
    id           integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    name         text NOT NULL UNIQUE CHECK (char_length(name) BETWEEN 1 AND 64),
    role         role_code NOT NULL,
    hash         bytea NOT NULL UNIQUE CHECK (octet_length(hash) = 32),
    created_at   timestamptz NOT NULL,
    expires_at   timestamptz,
    last_used_at timestamptz,
    revoked_at   timestamptz
);

-- Sessions live and end; they are no records. token is a hash of the cookie.
CREATE TABLE sessions (
    token  text PRIMARY KEY,
    data   bytea NOT NULL,
    expiry timestamptz NOT NULL
);
CREATE INDEX sessions_by_expiry ON sessions (expiry);

-- Who wrote what ----------------------------------------------------------

-- One act is one transaction of one writer.
CREATE TABLE acts (
    id     bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    at     timestamptz NOT NULL,
    via    text NOT NULL CHECK (via IN ('import', 'api', 'page', 'command', 'program')),
    person integer REFERENCES people,
    token  integer REFERENCES tokens,
    device text,
    why    text
);

-- What an act changed in something that was there: a field filled, a record
-- voided, a thing created or updated. That a record was created is told by
-- records.act. Values are in the bundle's text form; NULL is "nothing".
CREATE TABLE changes (
    id     bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    act    bigint NOT NULL REFERENCES acts,
    kind   text NOT NULL,
    record uuid,
    thing  text,
    field  text NOT NULL,
    was    text,
    became text,
    CONSTRAINT changes_of_one CHECK ((record IS NULL) <> (thing IS NULL))
);
CREATE INDEX changes_by_record ON changes (record) WHERE record IS NOT NULL;
CREATE INDEX changes_by_act ON changes (act);

-- The one place where ids are unique. owner is the printer (plate) under whose
-- history the event stands: with happened_at it finds the event's row. digest
-- tells an exact repeat without reading that row.
CREATE TABLE records (
    id          uuid PRIMARY KEY,
    happened_at timestamptz NOT NULL,
    arrived_at  timestamptz NOT NULL,
    digest      bigint NOT NULL,
    act         bigint NOT NULL,
    owner       integer NOT NULL,
    kind        event_code NOT NULL
);

-- Events ------------------------------------------------------------------

-- ref is the id as its recorder wrote it where that was no UUID.
-- void_arrived_at: when the voiding became known; filled_at: when the last
-- field was filled after the record itself (what was filled stands in changes).

CREATE TABLE first_layers (
    id              uuid NOT NULL,
    started_at      timestamptz NOT NULL,
    graded_at       timestamptz,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    layer_height_mm float8 CHECK (layer_height_mm BETWEEN 0.05 AND 1),
    line_width_mm   float8 CHECK (line_width_mm BETWEEN 0.1 AND 3),
    line_pitch_mm   float8 CHECK (line_pitch_mm BETWEEN 0.01 AND 10),
    nozzle_mm       float8 CHECK (nozzle_mm BETWEEN 0.05 AND 10),
    nudge_mm        float8 CHECK (nudge_mm BETWEEN -1 AND 1),
    look_chance     float8 CHECK (look_chance BETWEEN 0 AND 1),
    printer         integer NOT NULL,
    plate           integer,
    grade           grade_code,
    grader          integer,
    material        integer,
    job             integer,
    underside       underside_code,
    instrument      integer,
    start_is        start_is_code,
    seen_from       seen_from_code,
    plate_side      side_code,
    plate_turned    yes_no,
    probed          yes_no,
    decision        decision_code,
    outcome         outcome_code,
    looked_because  looked_because_code,
    noted_by        integer,
    voided_by       integer,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    filled_at       timestamptz,
    replaces        uuid,
    ref             text,
    marks           text CHECK (marks ~ '^[A-I][1-9]:[a-z_]+:[1-3]( [A-I][1-9]:[a-z_]+:[1-3])*$'),
    readings        text CHECK (readings ~ '^[A-I][1-9]=[0-9.]+p?( [A-I][1-9]=[0-9.]+p?)*$'),
    covered         text CHECK (covered ~ '^[A-I][1-9]( [A-I][1-9])*$'),
    lot             text,
    note            text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT first_layers_times CHECK (graded_at >= started_at),
    CONSTRAINT first_layers_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX first_layers_by_time ON first_layers (started_at);
CREATE INDEX first_layers_by_printer ON first_layers (printer, started_at);
CREATE INDEX first_layers_by_plate ON first_layers (plate, started_at) WHERE plate IS NOT NULL;
CREATE INDEX first_layers_by_arrival ON first_layers USING brin (arrived_at);

CREATE TABLE cleanings (
    id              uuid NOT NULL,
    cleaned_at      timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    plate           integer NOT NULL,
    method          method_code NOT NULL,
    plate_side      side_code,
    person          integer,
    noted_by        integer,
    voided_by       integer,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    agent           text,
    note            text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT cleanings_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX cleanings_by_plate ON cleanings (plate, cleaned_at);
CREATE INDEX cleanings_by_time ON cleanings (cleaned_at);

CREATE TABLE probes (
    id              uuid NOT NULL,
    probed_at       timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    bed_temp_c      float8 CHECK (bed_temp_c BETWEEN 0 AND 200),
    soak_minutes    float8 CHECK (soak_minutes BETWEEN 0 AND 10000),
    x_min_mm        float8,
    x_max_mm        float8,
    y_min_mm        float8,
    y_max_mm        float8,
    printer         integer NOT NULL,
    plate           integer,
    person          integer,
    extent          extent_code,
    plate_side      side_code,
    plate_turned    yes_no,
    in_use          yes_no,
    columns         smallint CHECK (columns BETWEEN 1 AND 200),
    rows            smallint CHECK (rows BETWEEN 1 AND 200),
    noted_by        integer,
    voided_by       integer,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    heights_mm      float8[],   -- row-major from the front left, NULL where missing
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT probes_heights CHECK (5 >= ALL (heights_mm) AND -5 <= ALL (heights_mm)),
    CONSTRAINT probes_grid CHECK (heights_mm IS NULL OR cardinality(heights_mm) = columns * rows AND columns IS NOT NULL AND rows IS NOT NULL),
    CONSTRAINT probes_x CHECK (x_min_mm >= -2000 AND x_max_mm <= 4000 AND x_max_mm >= x_min_mm),
    CONSTRAINT probes_y CHECK (y_min_mm >= -2000 AND y_max_mm <= 4000 AND y_max_mm >= y_min_mm),
    CONSTRAINT probes_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX probes_by_printer ON probes (printer, probed_at);

CREATE TABLE probes_skipped (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    printer         integer NOT NULL REFERENCES printers,
    reason          skip_reason_code NOT NULL,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    note            text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT probes_skipped_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX probes_skipped_by_printer ON probes_skipped (printer, at);

CREATE TABLE offset_changes (
    id              uuid NOT NULL,
    changed_at      timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    from_mm         float8 CHECK (from_mm BETWEEN -100 AND 100),
    to_mm           float8 NOT NULL CHECK (to_mm BETWEEN -100 AND 100),
    printer         integer NOT NULL REFERENCES printers,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    reason          text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT offset_changes_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX offset_changes_by_printer ON offset_changes (printer, changed_at);

CREATE TABLE services (
    id              uuid NOT NULL,
    done_at         timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    printer         integer NOT NULL REFERENCES printers,
    work            work_code NOT NULL,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    note            text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT services_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX services_by_printer ON services (printer, done_at);

CREATE TABLE fittings (
    id              uuid NOT NULL,
    fitted_at       timestamptz NOT NULL,
    removed_at      timestamptz,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    plate           integer NOT NULL REFERENCES plates,
    printer         integer NOT NULL REFERENCES printers,
    plate_side      side_code,
    plate_turned    yes_no,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    filled_at       timestamptz,
    replaces        uuid,
    ref             text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT fittings_times CHECK (removed_at >= fitted_at),
    CONSTRAINT fittings_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX fittings_by_plate ON fittings (plate, fitted_at);
CREATE INDEX fittings_by_printer ON fittings (printer, fitted_at);

CREATE TABLE plate_states (
    id              uuid NOT NULL,
    at              timestamptz NOT NULL,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    plate           integer NOT NULL REFERENCES plates,
    state           plate_state_code NOT NULL,
    person          integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    replaces        uuid,
    ref             text,
    reason          text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT plate_states_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX plate_states_by_plate ON plate_states (plate, at);

CREATE TABLE holds (
    id              uuid NOT NULL,
    placed_at       timestamptz NOT NULL,
    released_at     timestamptz,
    noted_at        timestamptz NOT NULL,
    arrived_at      timestamptz NOT NULL,
    subject_kind    subject_code NOT NULL,
    printer         integer REFERENCES printers,
    plate           integer REFERENCES plates,
    person          integer REFERENCES people,
    released_by     integer REFERENCES people,
    noted_by        integer REFERENCES people,
    voided_by       integer REFERENCES people,
    voided_at       timestamptz,
    void_arrived_at timestamptz,
    filled_at       timestamptz,
    replaces        uuid,
    ref             text,
    reason          text,
    release_reason  text,
    void_reason     text,
    replaces_ref    text,
    CONSTRAINT holds_subject CHECK ((subject_kind = 'printer') = (printer IS NOT NULL) AND (subject_kind = 'plate') = (plate IS NOT NULL)),
    CONSTRAINT holds_times CHECK (released_at >= placed_at),
    CONSTRAINT holds_void CHECK ((voided_at IS NULL) = (void_arrived_at IS NULL))
);
CREATE INDEX holds_by_printer ON holds (printer, placed_at) WHERE printer IS NOT NULL;
CREATE INDEX holds_by_plate ON holds (plate, placed_at) WHERE plate IS NOT NULL;
CREATE INDEX holds_open ON holds (placed_at) WHERE released_at IS NULL AND voided_at IS NULL;

-- References of the big tables -----------------------------------------------

-- A foreign key costs some microseconds a row and key, which is more than the
-- row itself. These check all new rows of a statement in one pass instead: a few
-- rows by the things' indexes, many by hashing the things once. The other half
-- of a foreign key (the thing may not go away) is nothing_goes.

CREATE FUNCTION check_first_layers() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE bad uuid;
BEGIN
    IF (SELECT count(*) FROM (SELECT FROM fresh LIMIT 101) AS few) <= 100 THEN
        SELECT f.id INTO bad FROM fresh f WHERE
            NOT EXISTS (SELECT FROM printers WHERE id = f.printer)
            OR f.plate IS NOT NULL AND NOT EXISTS (SELECT FROM plates WHERE id = f.plate)
            OR f.material IS NOT NULL AND NOT EXISTS (SELECT FROM materials WHERE id = f.material)
            OR f.grader IS NOT NULL AND NOT EXISTS (SELECT FROM people WHERE id = f.grader)
            OR f.job IS NOT NULL AND NOT EXISTS (SELECT FROM jobs WHERE id = f.job)
            OR f.instrument IS NOT NULL AND NOT EXISTS (SELECT FROM instruments WHERE id = f.instrument)
            OR f.noted_by IS NOT NULL AND NOT EXISTS (SELECT FROM people WHERE id = f.noted_by)
            OR f.voided_by IS NOT NULL AND NOT EXISTS (SELECT FROM people WHERE id = f.voided_by)
        LIMIT 1;
    ELSE
        SELECT f.id INTO bad FROM fresh f WHERE
            f.printer NOT IN (SELECT id FROM printers)
            OR f.plate IS NOT NULL AND f.plate NOT IN (SELECT id FROM plates)
            OR f.material IS NOT NULL AND f.material NOT IN (SELECT id FROM materials)
            OR f.grader IS NOT NULL AND f.grader NOT IN (SELECT id FROM people)
            OR f.job IS NOT NULL AND f.job NOT IN (SELECT id FROM jobs)
            OR f.instrument IS NOT NULL AND f.instrument NOT IN (SELECT id FROM instruments)
            OR f.noted_by IS NOT NULL AND f.noted_by NOT IN (SELECT id FROM people)
            OR f.voided_by IS NOT NULL AND f.voided_by NOT IN (SELECT id FROM people)
        LIMIT 1;
    END IF;
    IF FOUND THEN
        RAISE foreign_key_violation USING MESSAGE = format('first layer %s names a thing that is not there', bad);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER check_inserted AFTER INSERT ON first_layers REFERENCING NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION check_first_layers();
CREATE TRIGGER check_updated AFTER UPDATE ON first_layers REFERENCING NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION check_first_layers();

CREATE FUNCTION check_probes() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE bad uuid;
BEGIN
    IF (SELECT count(*) FROM (SELECT FROM fresh LIMIT 101) AS few) <= 100 THEN
        SELECT f.id INTO bad FROM fresh f WHERE
            NOT EXISTS (SELECT FROM printers WHERE id = f.printer)
            OR f.plate IS NOT NULL AND NOT EXISTS (SELECT FROM plates WHERE id = f.plate)
            OR f.person IS NOT NULL AND NOT EXISTS (SELECT FROM people WHERE id = f.person)
            OR f.noted_by IS NOT NULL AND NOT EXISTS (SELECT FROM people WHERE id = f.noted_by)
            OR f.voided_by IS NOT NULL AND NOT EXISTS (SELECT FROM people WHERE id = f.voided_by)
        LIMIT 1;
    ELSE
        SELECT f.id INTO bad FROM fresh f WHERE
            f.printer NOT IN (SELECT id FROM printers)
            OR f.plate IS NOT NULL AND f.plate NOT IN (SELECT id FROM plates)
            OR f.person IS NOT NULL AND f.person NOT IN (SELECT id FROM people)
            OR f.noted_by IS NOT NULL AND f.noted_by NOT IN (SELECT id FROM people)
            OR f.voided_by IS NOT NULL AND f.voided_by NOT IN (SELECT id FROM people)
        LIMIT 1;
    END IF;
    IF FOUND THEN
        RAISE foreign_key_violation USING MESSAGE = format('probe %s names a thing that is not there', bad);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER check_inserted AFTER INSERT ON probes REFERENCING NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION check_probes();
CREATE TRIGGER check_updated AFTER UPDATE ON probes REFERENCING NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION check_probes();

CREATE FUNCTION check_cleanings() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE bad uuid;
BEGIN
    IF (SELECT count(*) FROM (SELECT FROM fresh LIMIT 101) AS few) <= 100 THEN
        SELECT f.id INTO bad FROM fresh f WHERE
            NOT EXISTS (SELECT FROM plates WHERE id = f.plate)
            OR f.person IS NOT NULL AND NOT EXISTS (SELECT FROM people WHERE id = f.person)
            OR f.noted_by IS NOT NULL AND NOT EXISTS (SELECT FROM people WHERE id = f.noted_by)
            OR f.voided_by IS NOT NULL AND NOT EXISTS (SELECT FROM people WHERE id = f.voided_by)
        LIMIT 1;
    ELSE
        SELECT f.id INTO bad FROM fresh f WHERE
            f.plate IS NOT NULL AND f.plate NOT IN (SELECT id FROM plates)
            OR f.person IS NOT NULL AND f.person NOT IN (SELECT id FROM people)
            OR f.noted_by IS NOT NULL AND f.noted_by NOT IN (SELECT id FROM people)
            OR f.voided_by IS NOT NULL AND f.voided_by NOT IN (SELECT id FROM people)
        LIMIT 1;
    END IF;
    IF FOUND THEN
        RAISE foreign_key_violation USING MESSAGE = format('cleaning %s names a thing that is not there', bad);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER check_inserted AFTER INSERT ON cleanings REFERENCING NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION check_cleanings();
CREATE TRIGGER check_updated AFTER UPDATE ON cleanings REFERENCING NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION check_cleanings();

CREATE FUNCTION check_records() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE bad bigint;
BEGIN
    SELECT f.act INTO bad FROM (SELECT DISTINCT act FROM fresh) f WHERE NOT EXISTS (SELECT FROM acts WHERE id = f.act) LIMIT 1;
    IF FOUND THEN
        RAISE foreign_key_violation USING MESSAGE = format('a record names act %s, which is not there', bad);
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER check_inserted AFTER INSERT ON records REFERENCING NEW TABLE AS fresh
    FOR EACH STATEMENT EXECUTE FUNCTION check_records();

-- Nothing goes -----------------------------------------------------------------

CREATE FUNCTION nothing_goes() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE restrict_violation USING MESSAGE = format('%s: nothing is deleted or renumbered here', TG_TABLE_NAME);
END $$;

DO $$
DECLARE t text;
BEGIN
    FOREACH t IN ARRAY ARRAY['printers', 'screws', 'plates', 'materials', 'people', 'jobs', 'instruments', 'shifts', 'tokens', 'acts',
        'changes', 'records', 'first_layers', 'cleanings', 'probes', 'probes_skipped', 'offset_changes', 'services', 'fittings',
        'plate_states', 'holds']
    LOOP
        EXECUTE format('CREATE TRIGGER nothing_goes BEFORE DELETE OR TRUNCATE ON %I FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes()', t);
        IF t NOT IN ('screws', 'shifts') THEN
            EXECUTE format('CREATE TRIGGER nothing_renumbered BEFORE UPDATE OF id ON %I FOR EACH STATEMENT EXECUTE FUNCTION nothing_goes()', t);
        END IF;
    END LOOP;
END $$;

INSERT INTO schema_done (version) VALUES (1);
