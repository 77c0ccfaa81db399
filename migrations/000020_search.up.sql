-- Search finds first layers by what was seen on them, the latest first, from this
-- index alone.
CREATE INDEX first_layers_marked ON first_layers (started_at DESC, id DESC) INCLUDE (marks, printer, plate, grade)
    WHERE marks IS NOT NULL AND voided_at IS NULL;

INSERT INTO schema_done (version) VALUES (20);
