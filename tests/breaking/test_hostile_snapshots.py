"""Snapshots of catalogs that somebody changed: as packed bytes, as pages, as values; then believed as if true.

Whoever can write where snapshots lie can write a name with the right digest, and facts that nobody saw
(``catalog.foreign``). So the rule is: refused in words, or taken over; and whatever was taken over, every command
goes on working, and nothing of it leads out of a place.
"""

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pytest
import zstandard
from blake3 import blake3
from hypothesis import strategies as st

from backupkeeper.catalog.snapshot import pack
from backupkeeper.core.model import Blake3, Event, EventKind
from backupkeeper.core.snapshots import FOLDER, SnapshotName
from tests.breaking.hostile import bounded, tried
from tests.breaking.hostile_readers import READERS
from tests.breaking.mutating import HORRORS, mutated
from tests.breaking.stories import IS_LONG, say
from tests.stories.deliveries import CARD
from tests.stories.typed import offloaded, typed, yard_of_today
from tests.stories.yard import Yard, roll_folder, rot

COMMANDS: Final = (
    ("status",),
    ("gaps", "--json"),
    ("report",),
    ("report", "--json"),
    ("report", "--html", "{root}/report.html"),
    ("place", "list"),
    ("may-wipe", "{root}/card"),
    ("mirror",),
    ("verify",),
    ("repair", "--dry-run"),
    ("restore", "--all", "--to", "{root}/to", "--dry-run", "--yes"),
    ("catalog", "merge", "{root}/other.sqlite", "--dry-run"),
)
VALUES: Final = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.sampled_from((0, 1, 2, -1, 2**62, 10**17, 1_781_000_000_000_000)),
    st.sampled_from(HORRORS).map(lambda raw: raw[:2000]),
    st.sampled_from(HORRORS).map(lambda raw: raw[:2000].decode("utf-8", "replace")),
    st.none(),
    st.floats(),
    st.binary(max_size=64),
)
EVENTS: Final = mutated(READERS["an event"].examples)


@dataclass(frozen=True)
class Attack:
    """One change. ``kind``: of the packed bytes, of the database's, of one value, or an event more."""

    kind: str
    data: bytes = b""
    at: float = 0.0
    table: int = 0
    column: int = 0
    row: int = 0
    value: object = None
    event: str = ""


attacks = st.one_of(
    st.builds(Attack, kind=st.just("packed"), at=st.floats(0, 0.999), data=st.binary(min_size=1, max_size=8)),
    st.builds(Attack, kind=st.just("pages"), at=st.floats(0, 0.999), data=st.binary(min_size=1, max_size=16)),
    st.builds(Attack, kind=st.just("cut"), at=st.floats(0, 0.999)),
    *[
        st.builds(
            Attack, kind=st.just("value"), table=st.integers(0, 99), column=st.integers(0, 20),
            row=st.integers(0, 20), value=VALUES,
        )
    ] * 3,
    st.builds(Attack, kind=st.just("event"), event=st.sampled_from([one.value for one in EventKind]), data=EVENTS),
)  # fmt: skip


class Ground:
    """Two drives, a card, something damaged, events of several kinds; and the snapshot of all that."""

    def __init__(self, folder: Path) -> None:
        self.root, self._saved = folder / "yard", folder / "saved"
        self.root.mkdir()
        yard = self.yard
        _, travel = yard.drives()
        assert offloaded(yard, yard.card("card", CARD)).code == 0
        rot(roll_folder(travel) / "DCIM/100BOATY/BOAT0001.MP4", 700, b"\xa5" * 64)
        assert typed(yard, "verify").code == 1
        with yard.keeper() as keeper:
            now = keeper.context.clock.now()
            for number, text in enumerate(READERS["an event"].examples):
                kind = list(EventKind)[number % len(EventKind)]
                keeper.context.catalog.note(
                    [Event(at=now, kind=kind, subject="Main", detail=text.decode())]
                )
        packed = Path(pack(str(self.root / "catalog.sqlite"), str(folder / "packed")).path)
        self.plain = zstandard.ZstdDecompressor().decompress(packed.read_bytes())
        shutil.copytree(self.root, self._saved)

    @property
    def yard(self) -> Yard:
        return yard_of_today(self.root)

    def put_back(self) -> Yard:
        shutil.rmtree(self.root)
        shutil.copytree(self._saved, self.root)
        return self.yard

    def attacked(self, attack: list[Attack]) -> tuple[bytes, bytes]:
        """The database after it, and as a snapshot."""
        target = self.root / "other.sqlite"
        target.write_bytes(self.plain)
        for one in attack:
            if one.kind in {"value", "event"}:
                with closing(sqlite3.connect(target, isolation_level=None)) as connection:
                    connection.execute("PRAGMA foreign_keys = OFF")
                    _change(connection, one)
        plain = target.read_bytes()
        plain = _spoilt(plain, [one for one in attack if one.kind == "pages"])
        target.write_bytes(plain)
        packed = zstandard.ZstdCompressor(write_checksum=True).compress(plain)
        packed = _spoilt(packed, [one for one in attack if one.kind == "packed"])
        for one in attack:
            if one.kind == "cut":
                packed = packed[: int(one.at * len(packed))]
        return plain, packed


def _change(connection: sqlite3.Connection, one: Attack) -> None:
    tables = [
        row[0]
        for row in connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY 1"
        )
    ]
    try:
        if one.kind == "event":
            at = int(datetime.now(UTC).timestamp() * 1e6)
            connection.execute(
                "INSERT INTO events VALUES (?, ?, ?, ?)", (one.event, b"Main", at, one.data)
            )
            return
        table = tables[one.table % len(tables)]
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        column = columns[one.column % len(columns)]
        keys = "rowid"
        rows = connection.execute(f"SELECT {keys} FROM {table}").fetchall()
        if rows:
            row = rows[one.row % len(rows)][0]
            connection.execute(
                f"UPDATE {table} SET {column} = ? WHERE {keys} = ?", (one.value, row)
            )
    except sqlite3.Error:
        pass  # the schema itself refuses it, or the table has no row number


def _spoilt(data: bytes, attack: list[Attack]) -> bytes:
    made = bytearray(data)
    for one in attack:
        at = int(one.at * len(made))
        made[at : at + len(one.data)] = one.data
    return bytes(made)


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_whatever_another_catalog_says_every_command_goes_on(tmp_path: Path) -> None:
    ground = Ground(tmp_path)
    taken = 0

    def check(example: tuple[list[Attack], bool, list[tuple[str, ...]]]) -> None:
        nonlocal taken
        attack, is_new, commands = example
        yard = ground.put_back()
        _, packed = ground.attacked(attack)
        name = SnapshotName(
            taken_at=datetime.now(UTC).replace(microsecond=0),
            catalog="ab" * 16,
            blake3=Blake3(blake3(packed).hexdigest()),
        )
        target = ground.root / "Main" / FOLDER / name.text
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(packed)
        if is_new:
            for path in ground.root.glob("catalog.sqlite*"):
                shutil.rmtree(path) if path.is_dir() else path.unlink()
            for path in target.parent.glob("*.zst"):
                if path != target:
                    path.unlink()
            shutil.rmtree(ground.root / "Travel" / FOLDER, ignore_errors=True)
        words = ["rebuild", "--merge", "--from", str(ground.root / "Main")]
        told = typed(yard, *words, "--json").json
        taken += any(one["name"] == name.text for one in told.get("snapshots", ()))
        for command in commands:
            typed(yard, *(word.format(root=ground.root) for word in command))
        outside = {path.name for path in ground.root.iterdir()}
        known = {"Main", "Travel", "card", "config.toml", "report.html", "other.sqlite", "to"}
        assert not {one for one in outside - known if not one.startswith("catalog.sqlite")}

    examples = st.tuples(
        st.lists(attacks, min_size=1, max_size=3),
        st.booleans(),
        st.lists(st.sampled_from(COMMANDS), min_size=2, max_size=5, unique=True),
    )
    count = tried(
        "snapshots", examples, check, few=6, share=0.02, again="another_catalog", shrinks=False
    )
    say(f"snapshots: {taken} of them were taken over")
    assert count < 50 or 0 < taken < count


def zeros(size: int) -> bytes:
    return zstandard.ZstdCompressor(level=19).compress(bytes(size))


def unsaid(size: int) -> bytes:
    packer = zstandard.ZstdCompressor(level=3, write_content_size=False).compressobj()
    return packer.compress(bytes(size)) + packer.flush()


BOMBS: Final[dict[str, Callable[[], bytes]]] = {
    "zeros": lambda: zeros((4 << 30) if IS_LONG else (256 << 20)),
    "zeros of no told size": lambda: unsaid(256 << 20),
    "frames after frames": lambda: zeros(1 << 20) * (20_000 if IS_LONG else 500),
    "a window of two gigabytes": lambda: zstandard.ZstdCompressor(
        compression_params=zstandard.ZstdCompressionParameters(window_log=31, enable_ldm=True)
    ).compress(b"SQLite format 3\0" * 4096),
    "empty": lambda: b"",
    "skippable frames": lambda: b"\x50\x2a\x4d\x18\xff\xff\xff\x7f" * 1000,
}


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.parametrize("bomb", BOMBS)
def test_a_bomb_is_refused_in_bounded_memory_and_disk(bomb: str, tmp_path: Path) -> None:
    yard = yard_of_today(tmp_path)
    main, _ = yard.drives()
    data = BOMBS[bomb]()
    name = SnapshotName(
        taken_at=datetime.now(UTC).replace(microsecond=0),
        catalog="ab" * 16,
        blake3=Blake3(blake3(data).hexdigest()),
    )
    (main / FOLDER).mkdir(parents=True, exist_ok=True)
    (main / FOLDER / name.text).write_bytes(data)

    def merge() -> None:
        said = typed(yard, "catalog", "merge", str(main))
        assert said.code != 0
        assert name.text[:20] in said.all or "can't" in said.all, said.all

    assert bounded(merge, memory_bytes=600 << 20, seconds=60) == ""
    left = sum(path.stat().st_size for path in tmp_path.rglob("*") if path.is_file())
    assert left < len(data) + (20 << 20)
