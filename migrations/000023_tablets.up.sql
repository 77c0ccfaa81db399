-- Shared tablets, and the PINs by which people change over on them.
--
-- A tablet is known by a secret in its browser, of which only the SHA-256 is kept.
-- It gets the secret by a code that an admin shows it, once, within code_until.
-- A revoked tablet keeps its row and its hash, so that it can be told so; a new
-- code enrols it again.
--
-- A PIN counts on an enrolled tablet only. hash is its Argon2id in text form.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TABLE tablets (
    id            integer PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    tablet        text NOT NULL UNIQUE CHECK (char_length(tablet) BETWEEN 1 AND 64),
    bay           text CHECK (char_length(bay) <= 64),
    hash          bytea UNIQUE CHECK (octet_length(hash) = 32),
    code_hash     bytea UNIQUE CHECK (octet_length(code_hash) = 32),
    code_until    timestamptz,
    made_at       timestamptz NOT NULL,
    enrolled_at   timestamptz,
    last_seen_at  timestamptz,
    unsent        integer CHECK (unsent >= 0),
    unsent_at     timestamptz,
    revoked_at    timestamptz,
    revoke_reason text,
    CONSTRAINT tablets_code CHECK ((code_hash IS NULL) = (code_until IS NULL)),
    CONSTRAINT tablets_enrolled CHECK ((hash IS NULL) = (enrolled_at IS NULL))
);

CREATE TABLE pins (
    person     integer PRIMARY KEY REFERENCES people,
    hash       text NOT NULL,
    changed_at timestamptz NOT NULL
);

INSERT INTO schema_done (version) VALUES (23);
