-- The catalog: facts, not beliefs. States, gaps and verdicts are computed, never stored.
--
-- Numbers ("no") are this file's own and short; what names a thing on every machine is its UUID
-- (places), its BLAKE3 (contents) or its own bytes (words, paths). A union of two catalogs goes by
-- those. A thing may be named (place_ids, content_ids) before it is described (places, contents).
-- Times are microseconds since 1970-01-01T00:00:00Z. Paths are the very bytes of the file system;
-- other text is UTF-8 in a BLOB, for it may quote a path that is not.

CREATE TABLE ways (no INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
INSERT INTO ways (no, name) VALUES
    (1, 'written'), (2, 'readback'), (3, 'rehash'), (4, 'attested'), (5, 'downloaded'), (6, 'looked');

CREATE TABLE results (no INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
INSERT INTO results (no, name) VALUES
    (1, 'matches'), (2, 'damaged'), (3, 'changed'), (4, 'missing'), (5, 'unreadable');

-- Texts that repeat (evidence, mounts, object versions, notes). 0 is "none", which is not "".
CREATE TABLE words (no INTEGER PRIMARY KEY, text BLOB UNIQUE) STRICT;
INSERT INTO words (no, text) VALUES (0, NULL);

CREATE TABLE place_ids (no INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE) STRICT;

CREATE TABLE places (
    no INTEGER PRIMARY KEY REFERENCES place_ids (no),
    name BLOB NOT NULL,
    role TEXT NOT NULL,
    kind TEXT NOT NULL,
    created_at INTEGER NOT NULL,
    location BLOB NOT NULL,
    standing TEXT NOT NULL,
    fs_uuid BLOB,
    label BLOB,
    size_bytes INTEGER,
    device BLOB,
    spins INTEGER CHECK (spins IN (0, 1)),
    endpoint BLOB,
    profile BLOB
) STRICT;

CREATE TABLE content_ids (
    no INTEGER PRIMARY KEY,
    blake3 BLOB NOT NULL UNIQUE CHECK (length(blake3) = 32)
) STRICT;

CREATE TABLE contents (
    no INTEGER PRIMARY KEY REFERENCES content_ids (no),
    size INTEGER NOT NULL,
    xxh128 BLOB NOT NULL CHECK (length(xxh128) = 16),
    block_map BLOB NOT NULL  -- last: a row is read without it where it isn't asked for
) STRICT;

CREATE TABLE digests (
    content INTEGER NOT NULL REFERENCES contents (no),
    kind TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY (content, kind)
) STRICT, WITHOUT ROWID;

CREATE TABLE rolls (
    no INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    shoot BLOB NOT NULL,
    source BLOB NOT NULL,
    name BLOB NOT NULL,
    folder BLOB NOT NULL,
    sealed_at INTEGER NOT NULL,
    file_count INTEGER NOT NULL,
    size_bytes INTEGER NOT NULL
) STRICT;

CREATE TABLE roll_files (
    roll INTEGER NOT NULL REFERENCES rolls (no),
    path BLOB NOT NULL,
    content INTEGER NOT NULL REFERENCES content_ids (no),
    size INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL,
    PRIMARY KEY (roll, path)
) STRICT, WITHOUT ROWID;
CREATE INDEX roll_files_by_content ON roll_files (content);

CREATE TABLE roll_folders (
    roll INTEGER NOT NULL REFERENCES rolls (no),
    position INTEGER NOT NULL,
    path BLOB NOT NULL,
    PRIMARY KEY (roll, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE roll_left_out (
    roll INTEGER NOT NULL REFERENCES rolls (no),
    position INTEGER NOT NULL,
    path BLOB NOT NULL,
    why BLOB NOT NULL,
    PRIMARY KEY (roll, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE open_rolls (
    no INTEGER PRIMARY KEY,
    folder BLOB NOT NULL UNIQUE,
    shoot BLOB NOT NULL,
    source BLOB NOT NULL,
    name BLOB NOT NULL,
    begun_at INTEGER NOT NULL
) STRICT;

CREATE TABLE open_files (
    roll INTEGER NOT NULL REFERENCES open_rolls (no) ON DELETE CASCADE,
    path BLOB NOT NULL,
    content INTEGER NOT NULL REFERENCES content_ids (no),
    size INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL,
    PRIMARY KEY (roll, path)
) STRICT, WITHOUT ROWID;

-- A copy: one path at one place that should hold one content. Only here do paths of facts stand.
CREATE TABLE copies (
    no INTEGER PRIMARY KEY,
    place INTEGER NOT NULL REFERENCES place_ids (no),
    path BLOB NOT NULL,
    content INTEGER NOT NULL REFERENCES content_ids (no),
    UNIQUE (place, path, content)
) STRICT;
CREATE INDEX copies_by_content ON copies (content, place);

-- The whole fact is its key: the same fact twice is one, two that differ anywhere are two, in
-- whatever order they come. Clustered by copy and time, about 25 bytes a row.
CREATE TABLE facts (
    copy INTEGER NOT NULL REFERENCES copies (no),
    at INTEGER NOT NULL,
    way INTEGER NOT NULL REFERENCES ways (no),
    result INTEGER NOT NULL REFERENCES results (no),
    cold INTEGER NOT NULL CHECK (cold IN (0, 1)),
    evidence INTEGER NOT NULL REFERENCES words (no),
    version INTEGER NOT NULL REFERENCES words (no),
    mount INTEGER NOT NULL REFERENCES words (no),
    note INTEGER NOT NULL REFERENCES words (no),
    damage BLOB NOT NULL,  -- pairs of big-endian 64-bit numbers: from, to (not included)
    PRIMARY KEY (copy, at, way, result, cold, evidence, version, mount, note, damage)
) STRICT, WITHOUT ROWID;

-- Few rows: the attestations, which looks keep young for years. One is found without walking
-- over the looks that came after it.
CREATE INDEX attestations ON facts (copy, version, at) WHERE way = 4 AND result = 1;

-- Few rows too: what was found gone, so that the holdings of a place need not visit every fact.
CREATE INDEX misses ON facts (copy, at) WHERE result = 4;

-- When this file was last found whole (one row).
CREATE TABLE health (no INTEGER PRIMARY KEY CHECK (no = 1), checked_at INTEGER NOT NULL) STRICT;
