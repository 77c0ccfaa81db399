-- What trends count from: the first layers of each UTC day that is over, packed
-- in columns, because counting a million rows one by one takes longer than a
-- page may. A day is packed from first_layers and can be packed again at any
-- time; nothing is known here that is not known there. Voided layers are left
-- out. internal/store/trends_pack.go says how the columns are packed.

SELECT pg_advisory_xact_lock(4715, 2);

CREATE TABLE trend_days (
    day       date PRIMARY KEY,
    layers    integer NOT NULL,
    unnamed   integer NOT NULL, -- layers that name no plate
    times     bytea NOT NULL,
    printers  bytea NOT NULL,
    plates    bytea NOT NULL,
    materials bytea NOT NULL,
    jobs      bytea NOT NULL,
    graders   bytea NOT NULL,
    lots      bytea NOT NULL,
    flags     bytea NOT NULL
);
ALTER TABLE trend_days
    ALTER COLUMN times SET STORAGE EXTERNAL, ALTER COLUMN printers SET STORAGE EXTERNAL, ALTER COLUMN plates SET STORAGE EXTERNAL,
    ALTER COLUMN materials SET STORAGE EXTERNAL, ALTER COLUMN jobs SET STORAGE EXTERNAL, ALTER COLUMN graders SET STORAGE EXTERNAL,
    ALTER COLUMN lots SET STORAGE EXTERNAL, ALTER COLUMN flags SET STORAGE EXTERNAL;

-- A day some of whose first layers were written, filled or voided since it was
-- packed. Whoever writes adds a row in the same transaction; whoever packs takes
-- away the rows it saw before it read. Rows are only added and taken away, so
-- that no writer waits for another.
CREATE TABLE trend_marks (
    id  bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    day date NOT NULL
);

INSERT INTO schema_done (version) VALUES (6);
