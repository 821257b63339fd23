"""Values to columns and back, without loss.

Promises:
1. What goes in comes back equal: any bytes in a path, any time to the microsecond.
2. A value that could not come back equal (a digest that is no digest, a time without a zone, a
   lone surrogate) raises ValueError and is never stored as something near it.
"""

import os
import struct
from datetime import UTC, datetime, timedelta
from typing import Final, TypeAlias

from backupkeeper.core.model import (
    Blake3,
    Content,
    Fact,
    Place,
    PlaceId,
    PlaceKind,
    Result,
    Role,
    RollFile,
    RollHead,
    RollId,
    Standing,
    Way,
    Xxh128,
)
from backupkeeper.ports.catalog import OpenRoll

Row: TypeAlias = tuple[object, ...]
"""What is handed to SQLite: int, bytes, str or None in each column."""

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_HEX: Final = frozenset("0123456789abcdef")
_PAIR: Final = struct.Struct(">qq")

WAYS: Final = dict(enumerate(Way, start=1))
"""Number in the schema's table ``ways`` -> way."""
RESULTS: Final = dict(enumerate(Result, start=1))
"""Number in the schema's table ``results`` -> result."""
_WAY_NUMBERS: Final = {way: number for number, way in WAYS.items()}
_RESULT_NUMBERS: Final = {result: number for number, result in RESULTS.items()}


def micros(at: datetime) -> int:
    """Microseconds since 1970 in UTC, exactly.

    Raises:
        ValueError: the time has no zone.
    """
    if at.tzinfo is None:
        raise ValueError("a time without a zone")
    return (at - EPOCH) // _MICROSECOND


def moment(number: int) -> datetime:
    """The time, aware, in UTC."""
    return EPOCH + timedelta(microseconds=number)


def folder_length(path: bytes) -> int:
    """How many bytes of a path are its folder's, the last slash included."""
    return path.rfind(b"/") + 1


def in_folder(path: bytes) -> tuple[bytes, bytes]:
    """A path in two, as ``folders`` and ``copies`` hold it: up to its last slash, and the name."""
    length = folder_length(path)
    return path[:length], path[length:]


def digest(text: str, size: int) -> bytes:
    """Raw bytes of a digest in lower-case hex.

    Args:
        text: the digest.
        size: how many bytes it must have.

    Raises:
        ValueError: it is none.
    """
    if len(text) != 2 * size or not _HEX.issuperset(text):
        raise ValueError(f"not a digest of {size} bytes in lower-case hex: {text!r}")
    return bytes.fromhex(text)


def blake3(name: Blake3) -> bytes:
    """Raw bytes of a content's name."""
    return digest(name, 32)


def name_from(raw: bytes) -> Blake3:
    """A content's name again."""
    return Blake3(raw.hex())


def path_from(raw: bytes) -> str:
    """The path again."""
    return os.fsdecode(raw)


def path_bytes(path: str) -> bytes:
    """The file system's own bytes of a path."""
    return os.fsencode(path)


def words(text: str) -> bytes:
    """UTF-8 of a text that may quote a path with surrogate escapes."""
    return text.encode("utf-8", "surrogateescape")


def maybe_words(text: str | None) -> bytes | None:
    """As ``words``; None stays None."""
    return None if text is None else words(text)


def unwords(raw: bytes) -> str:
    """The text again."""
    return raw.decode("utf-8", "surrogateescape")


def _maybe(raw: bytes | None) -> str | None:
    return None if raw is None else unwords(raw)


def place_row(place: Place) -> Row:
    """Columns of ``places`` without its number, in the schema's order."""
    return (
        words(place.name),
        place.role.value,
        place.kind.value,
        micros(place.created_at),
        path_bytes(place.location),
        place.standing.value,
        maybe_words(place.fs_uuid),
        maybe_words(place.label),
        place.size_bytes,
        maybe_words(place.device),
        None if place.spins is None else int(place.spins),
        maybe_words(place.endpoint),
        maybe_words(place.profile),
    )


def place_from(row: tuple[str, bytes, str, str, int, bytes, str, *tuple[object, ...]]) -> Place:
    """A place from its id and the columns of ``places``."""
    ident, name, role, kind, created_at, location, standing, *rest = row
    fs_uuid, label, size_bytes, device, spins, endpoint, profile = rest
    return Place(
        id=PlaceId(ident),
        name=unwords(name),
        role=Role(role),
        kind=PlaceKind(kind),
        created_at=moment(created_at),
        location=path_from(location),
        standing=Standing(standing),
        fs_uuid=_text_of(fs_uuid),
        label=_text_of(label),
        size_bytes=size_bytes if isinstance(size_bytes, int) else None,
        device=_text_of(device),
        spins=None if spins is None else bool(spins),
        endpoint=_text_of(endpoint),
        profile=_text_of(profile),
    )


def _text_of(column: object) -> str | None:
    return unwords(column) if isinstance(column, bytes) else None


def content_row(content: Content) -> tuple[int, bytes, bytes]:
    """Size, XXH3-128 and block map."""
    return content.size, digest(content.xxh128, 16), content.block_map


def content_from(row: tuple[bytes, int, bytes, bytes], digests: dict[str, str]) -> Content:
    """A content from its name, size, XXH3-128 and block map, and its further digests."""
    name, size, xxh128, block_map = row
    return Content(
        blake3=name_from(name),
        xxh128=Xxh128(xxh128.hex()),
        size=size,
        block_map=block_map,
        digests=digests,
    )


def file_row(file: RollFile) -> Row:
    """Path, content's name, size, time."""
    return path_bytes(file.path), blake3(file.content), file.size, file.mtime_ns


def file_from(row: tuple[bytes, bytes, int, int]) -> RollFile:
    """A file of a roll from the same columns."""
    path, name, size, mtime_ns = row
    return RollFile(path=path_from(path), content=name_from(name), size=size, mtime_ns=mtime_ns)


def head_row(head: RollHead) -> Row:
    """Columns of ``rolls`` without its number, in the schema's order."""
    return (
        head.id,
        words(head.shoot),
        words(head.source),
        words(head.name),
        path_bytes(head.folder),
        micros(head.sealed_at),
        head.file_count,
        head.size_bytes,
    )


def head_from(row: tuple[str, bytes, bytes, bytes, bytes, int, int, int]) -> RollHead:
    """A roll's head from the same columns."""
    ident, shoot, source, name, folder, sealed_at, file_count, size_bytes = row
    return RollHead(
        id=RollId(ident),
        shoot=unwords(shoot),
        source=unwords(source),
        name=unwords(name),
        folder=path_from(folder),
        sealed_at=moment(sealed_at),
        file_count=file_count,
        size_bytes=size_bytes,
    )


def open_roll_row(roll: OpenRoll) -> Row:
    """Columns of ``open_rolls`` without its number, in the schema's order."""
    return (
        path_bytes(roll.folder),
        words(roll.shoot),
        words(roll.source),
        words(roll.name),
        micros(roll.begun_at),
    )


def open_roll_from(row: tuple[bytes, bytes, bytes, bytes, int]) -> OpenRoll:
    """An open roll from the same columns."""
    folder, shoot, source, name, begun_at = row
    return OpenRoll(
        folder=path_from(folder),
        shoot=unwords(shoot),
        source=unwords(source),
        name=unwords(name),
        begun_at=moment(begun_at),
    )


def fact_words(fact: Fact) -> tuple[bytes, bytes | None, bytes | None, bytes]:
    """The texts of a fact that are kept in ``words``: evidence, version, mount, note."""
    return (
        words(fact.evidence),
        maybe_words(fact.version),
        maybe_words(fact.mount),
        words(fact.note),
    )


def fact_row(fact: Fact) -> Row:
    """Time, way, result, cold, the four texts, damage; of the copy place, folder, name, content."""
    return (
        micros(fact.at),
        _WAY_NUMBERS[fact.way],
        _RESULT_NUMBERS[fact.result],
        int(fact.cold),
        *fact_words(fact),
        b"".join(_pair(first, last) for first, last in fact.damage),
        fact.place,
        *in_folder(path_bytes(fact.path)),
        blake3(fact.content),
    )


def _pair(first: int, last: int) -> bytes:
    try:
        return _PAIR.pack(first, last)
    except struct.error as error:
        raise ValueError(f"a byte range out of range: {first}-{last}") from error


FactRow: TypeAlias = tuple[
    str, bytes, bytes, int, int, int, int, bytes, bytes | None, bytes | None, bytes, bytes
]


def fact_from(row: FactRow) -> Fact:
    """A fact from place, path, content, time, way, result, cold, the four texts and damage."""
    place, path, name, at, way, result, cold, evidence, version, mount, note, damage = row
    return Fact(
        at=moment(at),
        place=PlaceId(place),
        path=path_from(path),
        content=name_from(name),
        way=WAYS[way],
        result=RESULTS[result],
        cold=bool(cold),
        evidence=unwords(evidence),
        damage=tuple((first, last) for first, last in _PAIR.iter_unpack(damage)),
        version=_maybe(version),
        mount=_maybe(mount),
        note=unwords(note),
    )
