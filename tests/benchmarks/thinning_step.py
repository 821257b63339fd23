"""Six years of yearly proofs of everything, then thinned, in a process of its own: prints one JSON object.

``make PATH FILES`` makes the catalog: so many files at three places each. ``thin PATH`` thins it, while another
program writes a hundred times a second, or as often as it can.
"""

import json
import resource
import sqlite3
import sys
import threading
import time
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Final

from backupkeeper.catalog.rows import micros
from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.model import Event, EventKind
from backupkeeper.system.clock import RealClock
from tests.benchmarks.scale_made import DAY, places

YEARS: Final = 6
FILES_A_ROLL: Final = 500
_MADE: Final = f"""
CREATE TEMP TABLE made (no INTEGER PRIMARY KEY, roll INTEGER, folder BLOB, path BLOB);
INSERT INTO made WITH RECURSIVE n (no) AS (SELECT 1 UNION ALL SELECT no + 1 FROM n WHERE no < :files)
    SELECT no, (no - 1) / {FILES_A_ROLL} + 1,
        CAST(printf('260612 Boatyard/Originals/Wide/Roll %05d', (no - 1) / {FILES_A_ROLL} + 1) AS BLOB),
        CAST(printf('DCIM/BOAT%07d.MP4', no) AS BLOB) FROM n;
INSERT INTO content_ids (no, blake3) SELECT no, randomblob(32) FROM made;
INSERT INTO contents (no, size, xxh128, block_map) SELECT no, 3000000, randomblob(16), randomblob(16) FROM made;
INSERT INTO words (no, text) VALUES (1, CAST('O_DIRECT' AS BLOB)), (2, x'');
INSERT INTO folders (no, path) SELECT DISTINCT roll, CAST(folder || '/DCIM/' AS BLOB) FROM made;
INSERT INTO copies (place, folder, name, content)
    SELECT p.no, roll, CAST(substr(path, 6) AS BLOB), m.no FROM (SELECT 1 AS no UNION SELECT 2 UNION SELECT 4) p, made m
    ORDER BY 1, 2, 3;
INSERT INTO words (no, text) SELECT 10 + year, CAST(printf('boot %d:31', year) AS BLOB)
    FROM (WITH RECURSIVE y (year) AS (SELECT 1 UNION ALL SELECT year + 1 FROM y WHERE year < {YEARS}) SELECT year FROM y);
INSERT INTO facts (copy, at, way, result, cold, evidence, version, mount, note, damage)
    SELECT c.no, :now - (w.no - 9) * 365 * {DAY} + c.no * 1000, CASE WHEN w.no = 16 THEN 2 ELSE 3 END, 1, 1, 1, 0, w.no, 2, x''
    FROM copies c CROSS JOIN words w WHERE w.no > 10 ORDER BY c.no, 2;
INSERT INTO rolls (no, id, shoot, source, name, folder, sealed_at, file_count, size_bytes)
    SELECT roll, printf('%064x', roll), CAST('260612 Boatyard' AS BLOB), CAST('Wide' AS BLOB),
        CAST(printf('Roll %05d', roll) AS BLOB), folder, :now - {YEARS} * 365 * {DAY}, count(*), count(*) * 3000000
    FROM made GROUP BY roll;
INSERT INTO roll_files (roll, path, content, size, mtime_ns) SELECT roll, path, no, 3000000, 1750000000123456789 FROM made;
DROP TABLE temp.made;
"""


def make(path: Path, files: int) -> dict[str, float]:
    """An empty catalog, filled, and all summed up."""
    clock = RealClock()
    with closing(open_catalog(str(path), clock=clock)) as catalog:
        for one in places(clock.now())[:4]:
            catalog.put_place(one)
    values = {"files": files, "now": micros(clock.now())}
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA cache_size = -1000000")
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN")
        for statement in _MADE.split(";\n"):
            wanted = {name: value for name, value in values.items() if f":{name}" in statement}
            if statement.strip():
                connection.execute(statement, wanted)
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (facts,) = connection.execute("SELECT count(*) FROM facts").fetchone()
    begun = time.process_time()
    with closing(open_catalog(str(path), clock=clock)) as catalog:
        catalog.roll_sums()
    return {"facts": facts, "sums": time.process_time() - begun}


def thin(path: Path) -> dict[str, float]:
    """Seconds, seconds of processor, facts that went; how long the one that wrote meanwhile waited at most."""
    clock, done, waits = RealClock(), threading.Event(), [0.0]

    def write() -> None:
        with closing(open_catalog(str(path), clock=clock)) as other:
            number = 0
            while not done.wait(0.01):
                number += 1
                event = Event(
                    at=clock.now(), kind=EventKind.TOLD, subject="bench", detail=f"{number}"
                )
                begun = time.perf_counter()
                other.note([event])
                waits.append(time.perf_counter() - begun)

    with closing(open_catalog(str(path), clock=clock)) as catalog:
        writer = threading.Thread(target=write)
        writer.start()
        begun, processor = time.perf_counter(), time.process_time()
        try:
            went = sum(
                step.facts for step in catalog.thin_facts(clock.now() + timedelta(seconds=1))
            )
        finally:
            done.set()
            writer.join()
    took, used = time.perf_counter() - begun, time.process_time() - processor
    waits.sort()
    return {
        "went": went,
        "seconds": took,
        "processor": used,
        "waited": waits[-1],
        "waited usually": waits[len(waits) // 2],
        "written": len(waits) - 1,
        "memory": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
    }


def main() -> None:
    """Do what is named first, with the catalog that is named second."""
    what, path, *files = sys.argv[1:]
    found = make(Path(path), int(files[0])) if what == "make" else thin(Path(path))
    sys.stdout.write(json.dumps(found))


if __name__ == "__main__":
    main()
