-- Which catalog this is, for the names of its snapshots. Made here, never merged.
CREATE TABLE identity (
    no INTEGER PRIMARY KEY CHECK (no = 1),
    id TEXT NOT NULL CHECK (length(id) = 32)
) STRICT;
INSERT INTO identity (no, id) VALUES (1, lower(hex(randomblob(16))));

-- When a place was last described otherwise than before: of two catalogs' descriptions the newer
-- one counts. A place without a row was described before this was kept.
CREATE TABLE described (
    place INTEGER PRIMARY KEY REFERENCES places (no),
    at INTEGER NOT NULL
) STRICT;
