-- Sums are made anew: they tell more now (whether what was last known of a copy came from a cache).
DELETE FROM sums;

-- Which files of a roll have their turn to be fetched back, turn by turn (core.sampling): it follows from
-- contents alone, and takes long to tell. "said" is JSON (catalog.drawn). Like sums: nobody needs it, never
-- taken from another catalog, gone with what it follows from.
CREATE TABLE drawn (
    roll INTEGER NOT NULL,
    turn TEXT NOT NULL,
    said TEXT NOT NULL,
    PRIMARY KEY (roll, turn)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER drawn_file_added AFTER INSERT ON roll_files BEGIN
    DELETE FROM drawn WHERE roll = new.roll;
END;
CREATE TRIGGER drawn_file_removed AFTER DELETE ON roll_files BEGIN
    DELETE FROM drawn WHERE roll = old.roll;
END;
CREATE TRIGGER drawn_file_changed AFTER UPDATE ON roll_files BEGIN
    DELETE FROM drawn WHERE roll IN (old.roll, new.roll);
END;

-- How many copies are known at each place, and their bytes as far as contents are described: counted on by
-- whoever writes, so that nobody has to walk over all of them. What went missing is not taken off here.
CREATE TABLE held (
    place INTEGER PRIMARY KEY,
    copies INTEGER NOT NULL,
    bytes INTEGER NOT NULL
) STRICT;
INSERT INTO held (place, copies, bytes)
    SELECT c.place, count(*), COALESCE(sum(k.size), 0)
    FROM copies c LEFT JOIN contents k ON k.no = c.content GROUP BY c.place;

CREATE TRIGGER held_copy_added AFTER INSERT ON copies BEGIN
    INSERT INTO held (place, copies, bytes)
        SELECT new.place, 0, 0 WHERE NOT EXISTS (SELECT 1 FROM held WHERE place = new.place);
    UPDATE held SET copies = copies + 1,
        bytes = bytes + COALESCE((SELECT size FROM contents WHERE no = new.content), 0)
        WHERE place = new.place;
END;
CREATE TRIGGER held_copy_removed AFTER DELETE ON copies BEGIN
    UPDATE held SET copies = copies - 1,
        bytes = bytes - COALESCE((SELECT size FROM contents WHERE no = old.content), 0)
        WHERE place = old.place;
END;
CREATE TRIGGER held_copy_changed AFTER UPDATE OF place, content ON copies BEGIN
    UPDATE held SET copies = copies - 1,
        bytes = bytes - COALESCE((SELECT size FROM contents WHERE no = old.content), 0)
        WHERE place = old.place;
    INSERT INTO held (place, copies, bytes)
        SELECT new.place, 0, 0 WHERE NOT EXISTS (SELECT 1 FROM held WHERE place = new.place);
    UPDATE held SET copies = copies + 1,
        bytes = bytes + COALESCE((SELECT size FROM contents WHERE no = new.content), 0)
        WHERE place = new.place;
END;
CREATE TRIGGER held_content_described AFTER INSERT ON contents BEGIN
    UPDATE held SET bytes = bytes + new.size
        * (SELECT count(*) FROM copies c WHERE c.content = new.no AND c.place = held.place)
        WHERE place IN (SELECT c.place FROM copies c WHERE c.content = new.no);
END;
CREATE TRIGGER held_content_removed AFTER DELETE ON contents BEGIN
    UPDATE held SET bytes = bytes - old.size
        * (SELECT count(*) FROM copies c WHERE c.content = old.no AND c.place = held.place)
        WHERE place IN (SELECT c.place FROM copies c WHERE c.content = old.no);
END;
CREATE TRIGGER held_content_changed AFTER UPDATE OF no, size ON contents BEGIN
    UPDATE held SET bytes = bytes - old.size
        * (SELECT count(*) FROM copies c WHERE c.content = old.no AND c.place = held.place)
        WHERE place IN (SELECT c.place FROM copies c WHERE c.content = old.no);
    UPDATE held SET bytes = bytes + new.size
        * (SELECT count(*) FROM copies c WHERE c.content = new.no AND c.place = held.place)
        WHERE place IN (SELECT c.place FROM copies c WHERE c.content = new.no);
END;
