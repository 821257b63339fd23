-- Sums of what facts say, roll by roll, so that few rolls have to be looked at fact by fact. They hold
-- no state, gap or verdict (policy and now are applied when they are read), nobody needs them (a roll
-- without a row is summed up anew), and they may be deleted at any time. Never taken from another
-- catalog. "said" is JSON (catalog.sums); "stamp" is another one each time.
CREATE TABLE sums (
    roll INTEGER PRIMARY KEY,
    stamp INTEGER NOT NULL,
    said TEXT NOT NULL
) STRICT;

-- Whoever writes what a roll's sums follow from removes them, in the same transaction, however it is
-- written. What a place is, and how it stands, is no part of them.
CREATE TRIGGER sums_fact_added AFTER INSERT ON facts BEGIN
    DELETE FROM sums WHERE roll IN (
        SELECT f.roll FROM copies c JOIN roll_files f ON f.content = c.content WHERE c.no = new.copy
    );
END;
CREATE TRIGGER sums_fact_removed AFTER DELETE ON facts BEGIN
    DELETE FROM sums WHERE roll IN (
        SELECT f.roll FROM copies c JOIN roll_files f ON f.content = c.content WHERE c.no = old.copy
    );
END;
CREATE TRIGGER sums_fact_changed AFTER UPDATE ON facts BEGIN
    DELETE FROM sums WHERE roll IN (
        SELECT f.roll FROM copies c JOIN roll_files f ON f.content = c.content
        WHERE c.no IN (old.copy, new.copy)
    );
END;
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
CREATE TRIGGER sums_file_added AFTER INSERT ON roll_files BEGIN
    DELETE FROM sums WHERE roll = new.roll;
END;
CREATE TRIGGER sums_file_removed AFTER DELETE ON roll_files BEGIN
    DELETE FROM sums WHERE roll = old.roll;
END;
CREATE TRIGGER sums_file_changed AFTER UPDATE ON roll_files BEGIN
    DELETE FROM sums WHERE roll IN (old.roll, new.roll);
END;
CREATE TRIGGER sums_roll_removed AFTER DELETE ON rolls BEGIN
    DELETE FROM sums WHERE roll = old.no;
END;
CREATE TRIGGER sums_roll_changed AFTER UPDATE ON rolls BEGIN
    DELETE FROM sums WHERE roll IN (old.no, new.no);
END;
