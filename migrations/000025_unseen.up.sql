-- A start whose part was taken off before anybody looked is closed as not seen: it
-- stays a start without a grade. A release says what it rests on.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TYPE unseen_code AS ENUM ('yes');
CREATE TYPE release_code AS ENUM ('proved', 'override');
ALTER TABLE first_layers ADD COLUMN unseen unseen_code;
ALTER TABLE holds ADD COLUMN release_is release_code;

INSERT INTO schema_done (version) VALUES (25);
