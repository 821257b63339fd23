-- Files that stand at a place encrypted: what the object itself is made of, beside the plain content
-- that every fact speaks of. The union of two catalogs is plain: the key is all but the time
-- (when it was last known to stand there), of which the later counts. "key" is the path under which the object stands.

CREATE TABLE encrypted (
    no INTEGER PRIMARY KEY,
    place INTEGER NOT NULL REFERENCES place_ids (no),
    path BLOB NOT NULL,
    content INTEGER NOT NULL REFERENCES content_ids (no),
    key BLOB NOT NULL,
    made_blake3 BLOB NOT NULL CHECK (length(made_blake3) = 32),
    at INTEGER NOT NULL,
    size INTEGER NOT NULL,
    recipients BLOB NOT NULL,
    made_size INTEGER NOT NULL,
    made_xxh128 BLOB NOT NULL CHECK (length(made_xxh128) = 16),
    made_map BLOB NOT NULL,
    UNIQUE (place, path, content, key, made_blake3)
) STRICT;
CREATE INDEX encrypted_by_key ON encrypted (place, key);
