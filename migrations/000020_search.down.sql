DROP INDEX first_layers_marked;
DELETE FROM schema_done WHERE version = 20;
