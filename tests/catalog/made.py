"""Made-up facts and places for the tests of the catalog; strategies that make any of them."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from hypothesis import strategies as st

from backupkeeper.catalog import rows, writing
from backupkeeper.catalog.store import SqliteCatalog
from backupkeeper.core.model import (
    Blake3,
    Content,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Role,
    Roll,
    RollFile,
    RollHead,
    RollId,
    Standing,
    Way,
    Xxh128,
)

NOW = datetime(2026, 6, 12, 18, 30, tzinfo=UTC)
MAIN = PlaceId("7f5c2a5e-9d0f-4d9e-9a2a-3f0a0f7f0001")
SECOND = PlaceId("7f5c2a5e-9d0f-4d9e-9a2a-3f0a0f7f0002")
BUCKET = PlaceId("7f5c2a5e-9d0f-4d9e-9a2a-3f0a0f7f0003")


@dataclass
class Watch:
    """A clock that stands where it was set."""

    at: datetime = field(default=NOW)

    def now(self) -> datetime:
        return self.at

    def monotonic(self) -> float:
        return 0.0


def name_of(seed: object) -> Blake3:
    """A content's name: any 32 bytes do here."""
    return Blake3(hashlib.sha256(repr(seed).encode()).hexdigest())


def content(seed: object, *, digests: Mapping[str, str] | None = None, size: int = 5) -> Content:
    return Content(
        blake3=name_of(seed),
        xxh128=Xxh128(name_of(seed)[:32]),
        size=size,
        block_map=bytes(16),
        digests=digests or {},
    )


def place(ident: PlaceId = MAIN, **changes: Any) -> Place:
    values: dict[str, Any] = {
        "id": ident,
        "name": f"drive {ident[-1]}",
        "role": Role.PRIMARY,
        "kind": PlaceKind.DRIVE,
        "created_at": NOW,
        "location": "/media/main",
    }
    return Place(**(values | changes))


def put_place_as_before(catalog: SqliteCatalog, one: Place) -> None:
    """As programs did that knew nothing of the table ``described`` (the fourth schema)."""
    with catalog._writing() as connection:
        writing._add_place_ids(connection, [one.id])
        connection.execute(writing._PUT_PLACE, (one.id, *rows.place_row(one)))


_WORD: Final = "COALESCE((SELECT no FROM words WHERE text = ?), 0)"


def record_as_before(
    catalog: SqliteCatalog, *, contents: Iterable[Content] = (), facts: Iterable[Fact] = ()
) -> None:
    """As programs did that kept the whole path with each copy (up to the ninth schema)."""
    with catalog._writing() as connection:
        writing.add_contents(connection, contents, "")
        for one in facts:
            *told, ident, folder, name, content_name = rows.fact_row(one)
            path = b"".join([folder, name])  # type: ignore[list-item] # both are bytes
            copy = (ident, path, content_name)
            connection.executemany(
                "INSERT OR IGNORE INTO words (text) VALUES (?)",
                [(text,) for text in rows.fact_words(one) if text is not None],
            )
            writing.name(connection, one.place, rows.blake3(one.content))
            connection.execute(
                "INSERT OR IGNORE INTO copies (place, path, content) VALUES ("
                "(SELECT no FROM place_ids WHERE id = ?), ?, "
                "(SELECT no FROM content_ids WHERE blake3 = ?))",
                copy,
            )
            connection.execute(
                "INSERT OR IGNORE INTO facts "
                "(at, way, result, cold, evidence, version, mount, note, damage, copy) "
                f"SELECT ?, ?, ?, ?, {_WORD}, {_WORD}, {_WORD}, {_WORD}, ?, c.no FROM copies c "
                "JOIN place_ids p ON p.no = c.place JOIN content_ids k ON k.no = c.content "
                "WHERE p.id = ? AND c.path = ? AND k.blake3 = ?",
                (*told, *copy),
            )


def fact(seed: object = 1, **changes: Any) -> Fact:
    values: dict[str, Any] = {
        "at": NOW,
        "place": MAIN,
        "path": "260612 Boatyard/Originals/Wide/Roll 01/DCIM/100/CLIP0001.MP4",
        "content": name_of(seed),
        "way": Way.READBACK,
        "result": Result.MATCHES,
        "cold": True,
        "evidence": "read past the cache",
    }
    return Fact(**(values | changes))


def roll(seeds: Iterable[object], *, ident: str = "roll", name: str = "Roll 01") -> Roll:
    files = tuple(
        RollFile(path=f"DCIM/CLIP{n:04}.MP4", content=name_of(seed), size=5, mtime_ns=n)
        for n, seed in enumerate(seeds)
    )
    return Roll(
        head=RollHead(
            id=RollId(ident),
            shoot="260612 Boatyard",
            source="Wide",
            name=name,
            folder=f"260612 Boatyard/Originals/Wide/{name}",
            sealed_at=NOW,
            file_count=len(files),
            size_bytes=5 * len(files),
        ),
        files=files,
    )


# Any path: bytes without NUL, as PEP 383 makes them text.
paths = st.one_of(
    st.sampled_from(["Ö/ö.MP4", "a\nb", "\x1b[2J", "x" * 255, "\udcff\udcfe", "日本/..."]),
    st.binary(min_size=1, max_size=40).map(
        lambda raw: raw.replace(b"\0", b"/").decode("utf-8", "surrogateescape")
    ),
)
# Any text that can come from bytes: never a lone surrogate that no byte makes.
texts = st.binary(max_size=20).map(lambda raw: raw.decode("utf-8", "surrogateescape"))
times = st.datetimes(
    # Hypothesis wants bounds without a zone and puts it on itself.
    min_value=datetime(1, 1, 3),  # noqa: DTZ001 - see above
    max_value=datetime(9999, 12, 29),  # noqa: DTZ001 - see above
    timezones=st.just(UTC),
)
int64 = st.integers(-(2**63), 2**63 - 1)
names = st.integers(0, 5).map(name_of)

facts = st.builds(
    Fact,
    at=st.one_of(times, st.integers(-3, 3).map(lambda n: NOW + timedelta(microseconds=n))),
    place=st.sampled_from([MAIN, SECOND, BUCKET]),
    path=paths,
    content=names,
    way=st.sampled_from(Way),
    result=st.sampled_from(Result),
    cold=st.booleans(),
    evidence=texts,
    damage=st.lists(st.tuples(int64, int64), max_size=3).map(tuple),
    version=st.none() | texts,
    mount=st.none() | texts,
    note=texts,
)
places = st.builds(
    Place,
    id=st.sampled_from([MAIN, SECOND, BUCKET]),
    name=texts,
    role=st.sampled_from(Role),
    kind=st.sampled_from(PlaceKind),
    created_at=times,
    location=paths,
    standing=st.sampled_from(Standing),
    fs_uuid=st.none() | texts,
    label=st.none() | texts,
    size_bytes=st.none() | int64,
    device=st.none() | texts,
    spins=st.none() | st.booleans(),
    endpoint=st.none() | texts,
    profile=st.none() | texts,
)
roll_files = st.lists(
    st.builds(RollFile, path=paths, content=names, size=st.integers(0, 2**62), mtime_ns=int64),
    max_size=6,
    unique_by=lambda file: file.path,
).map(lambda files: tuple(sorted(files, key=lambda file: file.path)))
rolls = st.builds(
    Roll,
    head=st.builds(
        RollHead,
        id=st.text("0123456789abcdef", min_size=1, max_size=64).map(RollId),
        shoot=texts,
        source=texts,
        name=texts,
        folder=paths,
        sealed_at=times,
        file_count=st.integers(0, 2**62),
        size_bytes=st.integers(0, 2**62),
    ),
    files=roll_files,
    folders=st.lists(paths, max_size=3).map(tuple),
    left_out=st.lists(st.tuples(paths, texts), max_size=3).map(tuple),
)
