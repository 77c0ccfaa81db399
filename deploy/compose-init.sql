-- Run once by the database's container, on an empty volume. The farm's role
-- owns its database and has no other right.
CREATE ROLE basecourse LOGIN;
CREATE DATABASE basecourse OWNER basecourse;
