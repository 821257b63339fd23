"""A snapshot is the whole catalog of one moment, and comes back as it was."""

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest
import zstandard
from blake3 import blake3
from hypothesis import given, settings, strategies as st

from backupkeeper.catalog import unpacking
from backupkeeper.catalog.foreign import checked
from backupkeeper.catalog.snapshot import pack, snapshot_mark
from backupkeeper.catalog.store import open_catalog
from backupkeeper.core.errors import CatalogError, SnapshotError
from backupkeeper.core.model import Event, EventKind
from tests.catalog.foreign_made import make, packed, says, unpacked, usual
from tests.catalog.made import NOW, Watch, content, fact, place


def test_it_comes_back_as_it_was(tmp_path: Path) -> None:
    path = usual(tmp_path / "catalog.sqlite")
    data = packed(path)
    back = unpacked(data, tmp_path / "back", blake3(data).hexdigest())
    checked(str(back))
    assert says(back) == says(path)
    assert not (tmp_path / "back-wal").exists()


def test_it_can_be_read_in_place_of_the_catalog(tmp_path: Path) -> None:
    back = unpacked(packed(usual(tmp_path / "catalog.sqlite")), tmp_path / "back")
    with closing(open_catalog(str(back), clock=Watch())) as catalog:
        assert [head.name for head in catalog.rolls()] == ["Roll 01"]


def test_others_write_meanwhile_and_it_is_of_one_moment(tmp_path: Path) -> None:
    """Each step of the writer adds a content and a fact about it: a snapshot has both or neither."""
    path = usual(tmp_path / "catalog.sqlite")
    stop = threading.Event()

    def write() -> None:
        with closing(open_catalog(str(path), clock=Watch(), patience_s=30)) as catalog:
            number = 1000
            while not stop.is_set():
                number += 1
                one = fact(number, path=f"p{number}")
                catalog.record(contents=[content(number)], facts=[one])

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(8):
            back = unpacked(packed(path), tmp_path / f"back {number}")
            told = says(back)
            checked(str(back))
            assert {row[0] for row in told["contents"]} == {row[2] for row in told["facts"]}
    finally:
        stop.set()
        writer.join()


def test_the_mark_is_another_one_after_every_fact_and_stands_over_events(tmp_path: Path) -> None:
    path = usual(tmp_path / "catalog.sqlite")
    first = snapshot_mark(str(path))
    with closing(open_catalog(str(path), clock=Watch())) as catalog:
        assert snapshot_mark(str(path)) == first
        catalog.note([Event(at=NOW, kind=EventKind.SNAPSHOT, subject="x", detail="y" * 9999)])
        assert snapshot_mark(str(path)).text == first.text
        marks = {first.text}
        catalog.record(facts=[fact(0, path="260612 Boatyard/0", at=NOW.replace(minute=50))])
        marks.add(snapshot_mark(str(path)).text)
        catalog.put_place(place(location="/elsewhere"))
        marks.add(snapshot_mark(str(path)).text)
        catalog.record(contents=[content("new")])
        marks.add(snapshot_mark(str(path)).text)
    assert len(marks) == 4


def test_two_catalogs_that_say_the_same_have_marks_of_their_own(tmp_path: Path) -> None:
    marks = {snapshot_mark(str(make(tmp_path / name))).text for name in ("one", "two")}
    assert len(marks) == 2


def test_a_damaged_catalog_is_not_kept(tmp_path: Path) -> None:
    path = usual(tmp_path / "catalog.sqlite")
    with path.open("r+b") as file:
        file.seek(2 * 4096)
        file.write(b"\xff" * 100_000)
    with pytest.raises(CatalogError, match="is damaged"):
        pack(str(path), str(tmp_path / "out"))


def test_one_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(CatalogError):
        snapshot_mark(str(tmp_path / "none"))
    assert list(tmp_path.iterdir()) == []


def test_what_a_kill_left_beside_it_is_not_taken_in(tmp_path: Path) -> None:
    path = usual(tmp_path / "catalog.sqlite")
    other = make(tmp_path / "other.sqlite", facts=[fact(n, path=str(n)) for n in range(500)])
    with closing(sqlite3.connect(other, isolation_level=None)) as connection:
        connection.execute("PRAGMA wal_autocheckpoint = 0")
        connection.execute("DELETE FROM facts")
        journal = Path(f"{other}-wal").read_bytes()
        assert journal
    for suffix in ("-wal", "-journal"):
        (tmp_path / f"out.raw{suffix}").write_bytes(journal)
        (tmp_path / f"back{suffix}").write_bytes(journal)
    pack(str(path), str(tmp_path / "out"))
    back = unpacked((tmp_path / "out").read_bytes(), tmp_path / "back")
    checked(str(back))
    assert says(back) == says(path)


# -- hostile

TRIES = int(os.environ.get("BACKUPKEEPER_LAWS", "60"))
CHECKSUM_BYTES = 4
"""At the end of a frame (RFC 8878, section 3.1.1)."""


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return packed(usual(tmp_path_factory.mktemp("good") / "catalog.sqlite"))


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("scratch")


def only_ours(data: bytes, target: Path, digest: str | None = None) -> bool:
    """Whether it was believed; anything else than an error of ours fails the test."""
    try:
        checked(str(unpacked(data, target, digest)))
    except SnapshotError as error:
        return "\n" in error.message
    return True


@settings(max_examples=TRIES // 2, deadline=None)
@given(data=st.data())
def test_cut_anywhere_it_is_refused(data: st.DataObject, good: bytes, scratch: Path) -> None:
    at = data.draw(st.integers(0, len(good) - 1))
    assert not only_ours(good[:at], scratch / "cut", blake3(good).hexdigest())
    is_all_there = at >= len(good) - CHECKSUM_BYTES  # only the frame's checksum is cut
    assert only_ours(good[:at], scratch / "cut") == is_all_there


@settings(max_examples=TRIES // 2, deadline=None)
@given(data=st.data())
def test_a_flipped_byte_is_seen_by_the_digest_or_the_frames_own_checksum(
    data: st.DataObject, good: bytes, scratch: Path
) -> None:
    at = data.draw(st.integers(0, len(good) - 1))
    flipped = bytearray(good)
    flipped[at] ^= data.draw(st.integers(1, 255))
    assert not only_ours(bytes(flipped), scratch / "flip", blake3(good).hexdigest())
    only_ours(bytes(flipped), scratch / "flip")  # without the digest: an error of ours, or none


@settings(max_examples=TRIES, deadline=None)
@given(data=st.data())
def test_a_database_with_other_bytes_lets_only_our_errors_out(
    data: st.DataObject, good: bytes, scratch: Path
) -> None:
    """Beneath the checksums: what somebody packs who wants to."""
    raw = bytearray(unpacked(good, scratch / "raw").read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 1))
        length = data.draw(st.sampled_from([1, 2, 4, 100, 4096]))
        way = data.draw(st.sampled_from(["flip", "zero", "swap"]))
        piece = raw[at : at + length]
        if way == "flip":
            raw[at] ^= data.draw(st.integers(1, 255))
        elif way == "zero":
            raw[at : at + length] = bytes(len(piece))
        else:
            other = data.draw(st.integers(0, len(raw) - length))
            raw[at : at + length], raw[other : other + length] = (
                raw[other : other + len(piece)],
                piece,
            )
    (scratch / "other").write_bytes(raw)
    with suppress(SnapshotError):
        checked(str(scratch / "other"))


def test_a_bomb_is_refused_before_it_fills_the_disk(
    scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(unpacking, "FREE_OF_RATIO_BYTES", 1 << 20)
    bomb = zstandard.ZstdCompressor(level=19).compress(bytes(100 << 20))
    assert len(bomb) < 20_000
    with pytest.raises(SnapshotError, match="far too large"):
        unpacked(bomb, scratch / "bomb")
    assert (scratch / "bomb").stat().st_size < 10 << 20


def test_one_that_says_too_large_a_size_is_refused_unread(
    scratch: Path, monkeypatch: pytest.MonkeyPatch, good: bytes
) -> None:
    monkeypatch.setattr(unpacking, "MOST_BYTES", 1000)
    with pytest.raises(SnapshotError, match="It would become"):
        unpacked(good, scratch / "large")


def test_one_that_says_no_size_is_refused(scratch: Path) -> None:
    packer = zstandard.ZstdCompressor().compressobj()
    data = packer.compress(b"x" * 100) + packer.flush()
    with pytest.raises(SnapshotError, match="does not say how large"):
        unpacked(data, scratch / "sizeless")


@pytest.mark.parametrize("data", [b"", b"\0", b"SQLite format 3\0" * 100, b"\x28\xb5\x2f\xfd"])
def test_what_is_no_snapshot_is_refused(scratch: Path, data: bytes) -> None:
    assert not only_ours(data, scratch / "none")


def test_no_room_is_told(scratch: Path, good: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unpacking, "SPARE_BYTES", 1 << 60)
    with pytest.raises(SnapshotError, match="too little room"):
        unpacked(good, scratch / "room")


def test_what_the_line_raises_passes(scratch: Path, good: bytes) -> None:
    def chunks() -> Iterator[memoryview]:
        yield memoryview(good[:100])
        raise CatalogError("the line")

    with pytest.raises(CatalogError, match="the line"):
        unpacking.unpack(chunks(), str(scratch / "line"), None)
