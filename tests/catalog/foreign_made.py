"""Catalogs as another machine made them, packed, unpacked and compared, for the tests of snapshots."""

import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

from backupkeeper.catalog.foreign import Checked, checked
from backupkeeper.catalog.merge import merge
from backupkeeper.catalog.snapshot import pack
from backupkeeper.catalog.store import open_catalog
from backupkeeper.catalog.unpacking import unpack
from backupkeeper.core.model import Content, Event, Fact, Place, PlaceId, Roll, RollFile, Standing
from backupkeeper.core.naming import roll_id
from backupkeeper.ports.catalog import OpenRoll
from tests.catalog.made import NOW, Watch, content, fact, name_of, place, roll

Open = tuple[OpenRoll, tuple[RollFile, ...]]


def true_roll(seeds: Iterable[object], **head: Any) -> Roll:
    """A roll whose id follows from its files, as real ones do."""
    made = roll(seeds)
    ident = roll_id((file.path, file.content) for file in made.files)
    return replace(made, head=replace(made.head, id=ident, **head))


def make(
    path: Path,
    *,
    places: Iterable[tuple[Place, int]] = (),
    contents: Iterable[Content] = (),
    facts: Iterable[Fact] = (),
    rolls: Iterable[Roll] = (),
    opened: Iterable[Open] = (),
    events: Iterable[Event] = (),
    stood: Iterable[tuple[PlaceId, Standing, int]] = (),
) -> Path:
    """A catalog's file. With each place goes the minute in which it was described.

    ``stood``: what a person said of a place, and in which minute.
    """
    watch = Watch()
    with closing(open_catalog(str(path), clock=watch)) as catalog:
        for one, minute in places:
            watch.at = NOW.replace(minute=minute)
            catalog.put_place(one)
        catalog.record(contents=contents, facts=facts)
        for one_roll in rolls:
            catalog.seal(one_roll)
        for taken in opened:
            catalog.record(taken=taken)
        catalog.note(events)
        for ident, standing, minute in stood:
            watch.at = NOW.replace(minute=minute)
            catalog.stand(ident, standing)
    return path


def usual(path: Path) -> Path:
    """With something of everything."""
    return make(
        path,
        places=[(place(fs_uuid="1234-ABCD"), 1)],
        contents=[content(n) for n in range(4)],
        facts=[fact(n, path=f"260612 Boatyard/{n}", damage=((0, 3),)) for n in range(4)],
        rolls=[true_roll(range(3))],
        opened=[
            (
                OpenRoll(shoot="260612 Boatyard", source="Wide", name="Roll 02",
                         folder="260612 Boatyard/Originals/Wide/Roll 02", begun_at=NOW),
                (RollFile(path="DCIM/B.MP4", content=name_of(3), size=5, mtime_ns=1),),
            )
        ],
    )  # fmt: skip


def packed(path: Path) -> bytes:
    """The catalog's snapshot."""
    target = path.with_name(path.name + ".snapshot")
    return Path(pack(str(path), str(target)).path).read_bytes()


def unpacked(data: bytes, target: Path, digest: Any = None) -> Path:
    """A snapshot's SQLite file; in small pieces, as a line brings them."""
    view = memoryview(data)
    unpack((view[n : n + 1000] for n in range(0, len(view), 1000)), str(target), digest)
    return target


def looked_at(path: Path, scratch: Path) -> Checked:
    """A catalog as it comes out of its snapshot."""
    return checked(str(unpacked(packed(path), scratch)))


def merged(path: Path, theirs: Path, scratch: Path) -> None:
    """Add what another catalog says."""
    merge(str(path), looked_at(theirs, scratch), clock=Watch())


def attacked(source: Path, target: Path, attack: Callable[[sqlite3.Connection], object]) -> Path:
    """A copy of a catalog, changed by somebody who holds no rule."""
    target.write_bytes(unpacked(packed(source), target.with_name("plain")).read_bytes())
    with closing(sqlite3.connect(target, isolation_level=None)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        attack(connection)
    return target


_SAID = {
    "places": (
        "SELECT i.id, name, role, kind, created_at, location, standing, fs_uuid, label, size_bytes, "
        "device, spins, endpoint, profile FROM places JOIN place_ids i USING (no)"
    ),
    "contents": "SELECT blake3, size, xxh128, block_map FROM contents JOIN content_ids USING (no)",
    "named": "SELECT blake3 FROM content_ids",
    "digests": (
        "SELECT blake3, kind, value FROM digests JOIN content_ids k ON k.no = digests.content"
    ),
    "rolls": (
        "SELECT id, shoot, source, name, folder, sealed_at, file_count, size_bytes FROM rolls"
    ),
    "files": (
        "SELECT r.id, path, blake3, size, mtime_ns FROM roll_files f JOIN rolls r ON r.no = f.roll "
        "JOIN content_ids k ON k.no = f.content"
    ),
    "folders": ("SELECT r.id, position, path FROM roll_folders f JOIN rolls r ON r.no = f.roll"),
    "left out": (
        "SELECT r.id, position, path, why FROM roll_left_out f JOIN rolls r ON r.no = f.roll"
    ),
    "open": "SELECT folder, shoot, source, name, begun_at FROM open_rolls",
    "open files": (
        "SELECT r.folder, path, blake3, size, mtime_ns FROM open_files f "
        "JOIN open_rolls r ON r.no = f.roll JOIN content_ids k ON k.no = f.content"
    ),
    "facts": (
        "SELECT i.id, CAST(d.path || c.name AS BLOB), k.blake3, at, way, result, cold, e.text, v.text, "
        "m.text, n.text, damage "
        "FROM facts f JOIN copies c ON c.no = f.copy JOIN place_ids i ON i.no = c.place "
        "JOIN folders d ON d.no = c.folder JOIN content_ids k ON k.no = c.content JOIN words e ON e.no = evidence "
        "JOIN words v ON v.no = version JOIN words m ON m.no = mount JOIN words n ON n.no = note"
    ),
    "uploads": (
        "SELECT i.id, path, blake3, upload, part_bytes, extra_check, enforced, ticket, begun_at "
        "FROM uploads_under_way u JOIN place_ids i ON i.no = u.place "
        "JOIN content_ids k ON k.no = u.content"
    ),
    "encrypted": (
        "SELECT i.id, path, blake3, key, made_blake3, at, size, recipients, made_size, made_xxh128, "
        "made_map FROM encrypted e JOIN place_ids i ON i.no = e.place "
        "JOIN content_ids k ON k.no = e.content"
    ),
    "events": "SELECT kind, subject, at, detail FROM events",
}


def says(path: Path) -> dict[str, set[tuple[Any, ...]]]:
    """All that a catalog says, without its own numbers."""
    with closing(sqlite3.connect(path)) as connection:
        return {what: set(connection.execute(question)) for what, question in _SAID.items()}
