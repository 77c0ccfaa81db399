-- Notices: a hold placed, a finding raised, a job at risk. They are told once
-- (key), to each person who wants that kind, five a shift at most; farm-wide
-- webhooks and confirmed mail addresses get theirs through deliveries, a queue
-- that any replica takes from and that outlives it.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TABLE notices (
    id           bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    kind         text NOT NULL CHECK (kind IN ('hold', 'finding', 'job')),
    key          text NOT NULL UNIQUE CHECK (char_length(key) BETWEEN 1 AND 300), -- the same news is never told twice
    at           timestamptz NOT NULL,
    subject_kind text NOT NULL,
    subject      text NOT NULL,
    words        text NOT NULL,
    path         text NOT NULL -- where it leads, without the base path
);
CREATE INDEX notices_by_time ON notices (at);

-- What of the farm was so at the last look, so that only its turning is news,
-- whichever replica looks and whenever it was started.
CREATE TABLE notice_watches (
    what        text PRIMARY KEY CHECK (char_length(what) BETWEEN 1 AND 300),
    is_on       boolean NOT NULL,
    clear_since timestamptz
);

-- nth counts a person's notices of one shift; after the fifth they are one line.
CREATE TABLE person_notices (
    person       integer NOT NULL REFERENCES people,
    notice       bigint NOT NULL REFERENCES notices ON DELETE CASCADE,
    window_start timestamptz NOT NULL,
    nth          integer NOT NULL CHECK (nth > 0),
    mail         boolean NOT NULL, -- wanted by mail too
    mailed       boolean NOT NULL DEFAULT false, -- in a mail, or counted in one
    read_at      timestamptz,
    PRIMARY KEY (person, notice),
    UNIQUE (person, window_start, nth)
);
CREATE INDEX person_notices_unread ON person_notices (person) WHERE read_at IS NULL AND nth <= 6;
CREATE INDEX person_notices_to_count ON person_notices (person) WHERE mail AND NOT mailed;
CREATE INDEX person_notices_of_notice ON person_notices (notice);

-- Who chose nothing has no row: everything in the app, nothing by mail.
CREATE TABLE notice_settings (
    person    integer PRIMARY KEY REFERENCES people,
    hold      text NOT NULL CHECK (hold IN ('off', 'app', 'mail')),
    finding   text NOT NULL CHECK (finding IN ('off', 'app', 'mail')),
    job       text NOT NULL CHECK (job IN ('off', 'app', 'mail')),
    in_shifts boolean NOT NULL -- mail waits for the person's next shift
);

-- Nothing but the question whether it is theirs goes to an address that is not
-- confirmed. Both keys are capabilities for this one address and stand in mails.
CREATE TABLE mail_addresses (
    person       integer PRIMARY KEY REFERENCES people,
    address      text NOT NULL CHECK (char_length(address) BETWEEN 3 AND 254),
    asked_at     timestamptz NOT NULL,
    confirm_key  text UNIQUE,
    confirmed_at timestamptz,
    stop_key     text NOT NULL UNIQUE
);

-- The secret is needed in clear to sign. It is in backups, which are their
-- owner's alone, and in nothing else.
CREATE TABLE webhooks (
    id         integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    name       text NOT NULL UNIQUE CHECK (char_length(name) BETWEEN 1 AND 64),
    url        text NOT NULL CHECK (char_length(url) BETWEEN 1 AND 500),
    kinds      text[] NOT NULL,
    secret     bytea NOT NULL CHECK (octet_length(secret) >= 24),
    made_at    timestamptz NOT NULL,
    rotated_at timestamptz,
    off_at     timestamptz
);

-- The queue. id is the key by which a receiver knows a repeat. A worker takes a
-- row by putting next_at into the future (a lease): if it dies, the row comes up
-- again by itself. tries is the number of takings and guards what is noted of one.
CREATE TABLE deliveries (
    id       uuid PRIMARY KEY,
    way      text NOT NULL CHECK (way IN ('webhook', 'mail')),
    purpose  text NOT NULL CHECK (purpose IN ('notices', 'confirm', 'test')),
    webhook  integer REFERENCES webhooks,
    person   integer REFERENCES people,
    notices  bigint[] NOT NULL DEFAULT '{}',
    more     integer NOT NULL DEFAULT 0, -- gathered ones this mail counts
    made_at  timestamptz NOT NULL,
    next_at  timestamptz NOT NULL,
    tries    integer NOT NULL DEFAULT 0,
    state    text NOT NULL DEFAULT 'waiting' CHECK (state IN ('waiting', 'sent', 'dead')),
    answer   text, -- of the last try: a status, or what went wrong
    ended_at timestamptz,
    CONSTRAINT deliveries_to CHECK ((way = 'webhook') = (webhook IS NOT NULL) AND (way = 'mail') = (person IS NOT NULL))
);
CREATE INDEX deliveries_waiting ON deliveries (next_at) WHERE state = 'waiting';
CREATE INDEX deliveries_dead ON deliveries (ended_at) WHERE state = 'dead';
CREATE INDEX deliveries_by_webhook ON deliveries (webhook, made_at) WHERE webhook IS NOT NULL;
CREATE INDEX deliveries_by_person ON deliveries (person, made_at) WHERE person IS NOT NULL;
CREATE INDEX deliveries_ended ON deliveries (ended_at) WHERE state <> 'waiting';

INSERT INTO schema_done (version) VALUES (16);
