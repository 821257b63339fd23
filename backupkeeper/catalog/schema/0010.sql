-- The paths of copies in two parts, so that a folder stands once, however many files lie in it, and at
-- however many places: "folders.path" is empty (the top of a place) or ends with a slash, and the whole
-- path is folders.path || copies.name. The view shows it, for people; this program does not ask it.
CREATE TABLE folders (
    no INTEGER PRIMARY KEY,
    path BLOB NOT NULL UNIQUE CHECK (path = x'' OR substr(path, -1) = x'2F')
) STRICT;

-- The old table steps aside without what speaks of it (https://sqlite.org/pragma.html#pragma_legacy_alter_table).
DROP INDEX copies_by_content;
DROP TRIGGER sums_copy_changed;
DROP TRIGGER sums_copy_removed;
PRAGMA legacy_alter_table = ON;
ALTER TABLE copies RENAME TO copies_before;
PRAGMA legacy_alter_table = OFF;

CREATE TABLE copies (
    no INTEGER PRIMARY KEY,
    place INTEGER NOT NULL REFERENCES place_ids (no),
    folder INTEGER NOT NULL REFERENCES folders (no),
    name BLOB NOT NULL CHECK (instr(name, x'2F') = 0),
    content INTEGER NOT NULL REFERENCES content_ids (no),
    UNIQUE (place, folder, name, content)
) STRICT;
CREATE INDEX copies_by_content ON copies (content, place);

-- Row after row, in the order of recording, which is nearly that of the indices: memory stays constant.
-- "folder_length" is catalog.opening's, for this script alone: how many bytes of a path are its folder's,
-- the last slash included. Of an empty path "substr" makes NULL. Numbers stay, so that facts keep their
-- copies.
INSERT OR IGNORE INTO folders (path)
    SELECT coalesce(substr(path, 1, folder_length(path)), x'') FROM copies_before ORDER BY no;
INSERT INTO copies (no, place, folder, name, content)
    SELECT no, place,
        (SELECT f.no FROM folders f
            WHERE f.path = coalesce(substr(b.path, 1, folder_length(b.path)), x'')),
        coalesce(substr(path, folder_length(path) + 1), x''), content
    FROM copies_before b ORDER BY no;
DROP TABLE copies_before;

CREATE TRIGGER sums_copy_changed AFTER UPDATE ON copies BEGIN
    DELETE FROM sums WHERE roll IN (
        SELECT f.roll FROM roll_files f WHERE f.content IN (old.content, new.content)
    );
END;
CREATE TRIGGER sums_copy_removed AFTER DELETE ON copies BEGIN
    DELETE FROM sums WHERE roll IN (
        SELECT f.roll FROM roll_files f WHERE f.content = old.content
    );
END;
CREATE TRIGGER sums_folder_changed AFTER UPDATE ON folders BEGIN
    DELETE FROM sums;
END;

CREATE VIEW copies_with_paths (no, place, path, blake3) AS
    SELECT c.no, p.id, CAST(f.path || c.name AS BLOB), lower(hex(k.blake3))
    FROM copies c JOIN folders f ON f.no = c.folder JOIN place_ids p ON p.no = c.place
    JOIN content_ids k ON k.no = c.content;
