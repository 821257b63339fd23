-- Uploads in parts that were begun and not ended, so that another run can go on with them. No facts:
-- a row goes when its upload has ended, and one that is no longer true costs a question to the store.

CREATE TABLE uploads_under_way (
    place INTEGER NOT NULL REFERENCES place_ids (no),
    path BLOB NOT NULL,
    content INTEGER NOT NULL REFERENCES content_ids (no),
    upload BLOB NOT NULL,  -- the store's id of it
    part_bytes INTEGER NOT NULL,
    extra_check TEXT,
    enforced TEXT NOT NULL,  -- names with a blank between them
    ticket TEXT NOT NULL,
    begun_at INTEGER NOT NULL,
    PRIMARY KEY (place, path, upload)
) STRICT, WITHOUT ROWID;
