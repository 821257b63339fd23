-- What happened to the daemon, not to a copy: never the ground of a verdict. The whole row is the
-- key, so the union of two catalogs is plain. Times and texts as in the first schema.

CREATE TABLE events (
    kind TEXT NOT NULL,
    subject BLOB NOT NULL,
    at INTEGER NOT NULL,
    detail BLOB NOT NULL,
    PRIMARY KEY (kind, subject, at, detail)
) STRICT, WITHOUT ROWID;

CREATE INDEX events_by_time ON events (kind, at);
