"""A large catalog of a made-up life: many rolls, 20 places, five years; made by SQL in the real schema.

Rolls of 100 to 900 files (every fourth a clip of 400 MB, the others small). Each roll went to the main
and the second drive of its time, and all but the newest to the bucket, where looks keep it young. The
drives of the first two years are lost, retired, or still there; some rolls stand on a third drive.
"""

import json
import sqlite3
import sys
import time
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from backupkeeper.catalog.rows import micros
from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.model import Place, PlaceId, PlaceKind, Role, Standing
from backupkeeper.system.clock import RealClock

DAY: Final = 86_400_000_000
FILES_A_ROLL: Final = 500
GENERATIONS: Final = 6
BUCKETS: Final = 2


def place_id(number: int) -> PlaceId:
    return PlaceId(f"7f5c2a5e-9d0f-4d9e-9a2a-3f0a0f7f{number:04}")


def places(now: datetime) -> list[Place]:
    """Six generations of main, second and third drives, and two buckets: numbers 1 to 20."""
    made = []
    for number in range(1, 3 * GENERATIONS + BUCKETS + 1):
        bucket = number > 3 * GENERATIONS
        generation, which = divmod(number - 1, 3)
        gone = which == 2 and generation < 2 and not bucket
        role = Role.CLOUD if bucket else (Role.PRIMARY, Role.SECONDARY, Role.SECONDARY)[which]
        made.append(
            Place(
                id=place_id(number),
                name=f"Place {number:02}",
                role=role,
                kind=PlaceKind.BUCKET if bucket else PlaceKind.DRIVE,
                created_at=now - timedelta(days=2000 - number),
                location=f"s3://yard-{number}/footage" if bucket else f"/media/place{number}",
                device=f"device {number}",
                standing=(Standing.LOST, Standing.RETIRED)[generation] if gone else Standing.ACTIVE,
            )
        )
    return made


_MADE: Final = f"""
CREATE TEMP TABLE rolls_made AS WITH RECURSIVE n (no) AS (
    SELECT 1 UNION ALL SELECT no + 1 FROM n WHERE no < :rolls
) SELECT CAST(no AS INTEGER) AS no, 100 + no * 7919 % 801 AS files, (no - 1) * {GENERATIONS} / :rolls AS generation,
    (no * 37 % 65 + 5) * {DAY} AS age, no % 23 = 0 AS due, no % 50 = 0 AS harmed, no % 61 = 0 AS gone,
    no % 5 = 0 AS third, no > :rolls * 29 / 30 AS new,
    CAST(printf('26%02d%02d Boatyard/Originals/Wide/Roll %05d', no / 28 % 12 + 1, no % 28 + 1, no)
        AS BLOB) AS folder
FROM n;
CREATE UNIQUE INDEX temp.by_number ON rolls_made (no);
CREATE TEMP TABLE files_made (no INTEGER PRIMARY KEY, roll INTEGER, nth INTEGER, path BLOB, size INTEGER);
INSERT INTO files_made (roll, nth, path, size)
    WITH RECURSIVE n (no) AS (SELECT 1 UNION ALL SELECT no + 1 FROM n WHERE no < 900)
    SELECT r.no, n.no, CAST(printf('DCIM/100BOATY/BOAT%04d.MP4', n.no) AS BLOB),
        CASE WHEN n.no % 4 = 0 THEN 419430400 ELSE 3000000 END
    FROM rolls_made r CROSS JOIN n WHERE n.no <= r.files;
INSERT INTO content_ids (no, blake3) SELECT no, randomblob(32) FROM files_made;
INSERT INTO contents (no, size, xxh128, block_map) SELECT no, size, randomblob(16),
    randomblob(16 * ((size + 4194303) / 4194304)) FROM files_made;
INSERT INTO words (no, text) VALUES (1, CAST('O_DIRECT' AS BLOB)), (2, CAST('md5 of the parts' AS BLOB)),
    (3, CAST('v1' AS BLOB)), (4, CAST('boot:31' AS BLOB)), (5, x'');
CREATE TEMP TABLE where_made AS
    SELECT no AS roll, generation * 3 + 1 AS place FROM rolls_made
    UNION ALL SELECT no, generation * 3 + 2 FROM rolls_made
    UNION ALL SELECT no, generation * 3 + 3 FROM rolls_made WHERE third
    UNION ALL SELECT no, {3 * GENERATIONS} + 1 + no % {BUCKETS} FROM rolls_made WHERE NOT new;
INSERT INTO folders (no, path) SELECT no, CAST(folder || '/DCIM/100BOATY/' AS BLOB) FROM rolls_made;
INSERT INTO copies (place, folder, name, content)
    SELECT w.place, w.roll, CAST(substr(f.path, 15) AS BLOB), f.no
    FROM where_made w CROSS JOIN files_made f ON f.roll = w.roll
    ORDER BY w.place, w.roll, f.nth;
INSERT INTO facts (copy, at, way, result, cold, evidence, version, mount, note, damage)
    SELECT c.no, :now - r.age - r.due * 60 * {DAY} - c.place % 3 * {DAY} + f.nth * 2000000, 3, 1, 1, 1, 0, 4, 5, x''
    FROM copies c CROSS JOIN files_made f ON f.no = c.content CROSS JOIN rolls_made r ON r.no = f.roll
    WHERE c.place <= {3 * GENERATIONS} ORDER BY c.no;
INSERT INTO facts (copy, at, way, result, cold, evidence, version, mount, note, damage)
    SELECT c.no, :now - (5 * 365 - r.no * 5 * 365 / :rolls) * {DAY} + f.nth * 3000000, 4, 1, 0, 2, 3, 0, 5, x''
    FROM copies c CROSS JOIN files_made f ON f.no = c.content CROSS JOIN rolls_made r ON r.no = f.roll
    WHERE c.place > {3 * GENERATIONS} ORDER BY c.no;
INSERT INTO facts (copy, at, way, result, cold, evidence, version, mount, note, damage)
    SELECT c.no, :now - r.age % (14 * {DAY}), 6, 1, 0, 2, 3, 0, 5, x''
    FROM copies c CROSS JOIN files_made f ON f.no = c.content CROSS JOIN rolls_made r ON r.no = f.roll
    WHERE c.place > {3 * GENERATIONS} AND r.no % 29 > 0 ORDER BY c.no;
INSERT INTO facts (copy, at, way, result, cold, evidence, version, mount, note, damage)
    SELECT c.no, :now - 3 * {DAY}, 3, CASE WHEN r.harmed THEN 2 ELSE 4 END, 1, 1, 0, 4, 5, x''
    FROM rolls_made r CROSS JOIN files_made f ON f.roll = r.no AND f.nth = 5
    CROSS JOIN copies c ON c.content = f.no WHERE (r.harmed OR r.gone) AND c.place % 3 = 1;
INSERT INTO rolls (no, id, shoot, source, name, folder, sealed_at, file_count, size_bytes)
    SELECT r.no, printf('%064x', r.no), substr(folder, 1, 15), CAST('Wide' AS BLOB),
        CAST(printf('Roll %05d', r.no) AS BLOB), folder, :now - (5 * 365 - r.no * 5 * 365 / :rolls) * {DAY},
        files, (SELECT sum(size) FROM files_made f WHERE f.roll = r.no)
    FROM rolls_made r;
INSERT INTO roll_files (roll, path, content, size, mtime_ns)
    SELECT roll, path, no, size, 1750000000123456789 + no FROM files_made;
DROP TABLE temp.rolls_made;
DROP TABLE temp.files_made;
DROP TABLE temp.where_made;
"""


def make(path: Path, files: int, now: datetime) -> None:
    """An empty catalog, filled."""
    with closing(open_catalog(str(path), clock=RealClock())) as catalog:
        for one in places(now):
            catalog.put_place(one)
    values = {"rolls": files // FILES_A_ROLL, "now": micros(now)}
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA cache_size = -1000000")
        connection.execute("PRAGMA temp_store = MEMORY")
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN")
        for statement in _MADE.split(";\n"):
            wanted = {name: value for name, value in values.items() if f":{name}" in statement}
            if statement.strip():
                connection.execute(statement, wanted)
            if "files_made (roll" in statement:
                connection.execute("CREATE INDEX temp.of_roll ON files_made (roll, nth)")
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def main() -> None:
    """Make the one that is named first, of so many files; print seconds for its first sums, and its facts."""
    path, files, clock = Path(sys.argv[1]), int(sys.argv[2]), RealClock()
    make(path, files, clock.now())
    with closing(open_catalog(str(path), clock=clock)) as catalog:
        begun = time.process_time()
        catalog.roll_sums()
        took = time.process_time() - begun
    with closing(sqlite3.connect(path)) as connection:
        (facts,) = connection.execute("SELECT count(*) FROM facts").fetchone()
    sys.stdout.write(json.dumps({"sums": took, "facts": facts}))


if __name__ == "__main__":
    main()
