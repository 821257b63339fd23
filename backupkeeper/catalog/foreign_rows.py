"""Every row of a catalog of unknown making: could this program have written it?

Promises:
1. After ``check`` every value can be read through ``catalog.rows``, and none leads out of a place: a
   path is relative and has no ``..``.
2. Whatever is named by its content is: a roll's id, its number of files and its size follow from its
   files, sizes and block maps fit each other.
3. Events are not refused for what they say (they are no facts): ``event_is_fine`` says which to take.
4. Only ``SnapshotError`` leaves, and what SQLite says.
"""

import json
import re
import sqlite3
import struct
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from itertools import groupby
from typing import Final

from backupkeeper.catalog import rows
from backupkeeper.core.errors import SnapshotError, UsageError
from backupkeeper.core.model import BLOCK_BYTES, EventKind, Place, PlaceKind, Role, Standing
from backupkeeper.core.naming import roll_id, validate_place_name

LONGEST_PATH: Final = 8192
LONGEST_TEXT: Final = 64 * 1024
LONGEST_DETAIL: Final = 1 << 20
LARGEST_FILE: Final = 1 << 44
"""16 TiB; a span beyond it is none."""
EARLIEST: Final = rows.micros(datetime.min.replace(tzinfo=UTC))
LATEST: Final = rows.micros(datetime.max.replace(tzinfo=UTC))
_UUID: Final = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
_DIGEST_TEXT: Final = re.compile(r"[0-9A-Za-z]{1,128}")
_KIND_TEXT: Final = re.compile(r"[0-9a-z]{1,32}")
_ENDPOINT: Final = re.compile(r"https?://[!-~]{1,1000}")
_SECONDS: Final = re.compile(r"\d{1,9}(\.\d{1,6})?")
_BYTES: Final = re.compile(r"\d{1,18}")
_MOVED: Final = re.compile(r"\d{1,18} \d{1,9}(\.\d{1,6})?")
_PAIR: Final = struct.Struct(">qq")

_TIME_IS_OFF: Final = f"NOT BETWEEN {EARLIEST} AND {LATEST}"
_DESCRIBED_OTHERWISE: Final = "{} f JOIN contents c ON c.no = f.content"
_TOO_LONG: Final = f"max(length(shoot), length(source), length(name)) > {LONGEST_TEXT}"
_MAP_IS_OFF: Final = f"length(block_map) <> 16 * ((size + {BLOCK_BYTES - 1}) / {BLOCK_BYTES})"
_UPLOAD_IS_OFF: Final = (
    f"NOT path(path) OR begun_at {_TIME_IS_OFF} OR part_bytes NOT BETWEEN 1 AND {LARGEST_FILE} "
    "OR max(length(upload), length(enforced), length(ticket), length(coalesce(extra_check, ''))) "
    f"> {LONGEST_PATH}"
)
_ENCRYPTED_IS_OFF: Final = (
    f"NOT path(path) OR NOT path(key) OR at {_TIME_IS_OFF} OR length(recipients) > {LONGEST_TEXT} "
    f"OR min(size, made_size) < 0 OR max(size, made_size) > {LARGEST_FILE} OR "
    f"length(made_map) <> 16 * ((made_size + {BLOCK_BYTES - 1}) / {BLOCK_BYTES})"
)
_FOLDER_IS_OFF: Final = (
    "path <> x'' AND (substr(path, -1) <> x'2F' OR NOT path(substr(path, 1, length(path) - 1)))"
)
_NAME_IS_OFF: Final = (
    "c.name IN (x'', x'2E', x'2E2E') OR instr(c.name, x'2F') OR instr(c.name, x'00') "
    f"OR length(d.path) + length(c.name) > {LONGEST_PATH}"
)
"""What ``path_is_fine`` says of the whole, folder by folder and then name by name."""
_NEVER: Final = (
    ("words", "words", "(text IS NULL) <> (no = 0)"),
    ("words", "words", f"length(text) > {LONGEST_TEXT}"),
    ("places' ids", "place_ids", "NOT uuid(id)"),
    ("places", "described", f"at {_TIME_IS_OFF}"),
    ("contents", "contents", f"size NOT BETWEEN 0 AND {LARGEST_FILE}"),
    ("contents", "contents", _MAP_IS_OFF),
    ("digests", "digests", "NOT further_digest(kind, value)"),
    ("rolls", "rolls", f"sealed_at {_TIME_IS_OFF} OR NOT path(folder) OR {_TOO_LONG}"),
    ("rolls' files", "roll_files", "NOT path(path) OR size < 0"),
    ("rolls' files", _DESCRIBED_OTHERWISE.format("roll_files"), "f.size <> c.size"),
    ("rolls' folders", "roll_folders", "NOT path(path)"),
    ("rolls", "roll_left_out", f"max(length(path), length(why)) > {LONGEST_TEXT}"),
    ("open rolls", "open_rolls", f"begun_at {_TIME_IS_OFF} OR NOT path(folder) OR {_TOO_LONG}"),
    ("open rolls", "open_files", "NOT path(path) OR size < 0"),
    ("open rolls", _DESCRIBED_OTHERWISE.format("open_files"), "f.size <> c.size"),
    ("uploads", "uploads_under_way", _UPLOAD_IS_OFF),
    ("encrypted", "encrypted", _ENCRYPTED_IS_OFF),
    ("copies", "folders", _FOLDER_IS_OFF),
    ("copies", "copies c CROSS JOIN folders d ON d.no = c.folder", _NAME_IS_OFF),
    ("facts", "facts", f"at {_TIME_IS_OFF} OR evidence = 0 OR note = 0"),
    ("facts", "facts", "length(damage) > 0 AND NOT spans(damage)"),
)
"""What no catalog of ours holds: where, in which table, under which condition."""
_PLACES: Final = """
SELECT p.id, name, role, kind, created_at, location, standing, fs_uuid, label, size_bytes, device,
       spins, endpoint, profile
FROM places JOIN place_ids p USING (no)
"""
_EVENTS: Final = "SELECT count(*) FROM events WHERE event_is_fine(kind, subject, at, detail)"
"""Only that each can be looked at."""
_FILES: Final = """
SELECT r.id, r.file_count, r.size_bytes, f.path, k.blake3, f.size
FROM rolls r LEFT JOIN roll_files f ON f.roll = r.no LEFT JOIN content_ids k ON k.no = f.content
ORDER BY r.no
"""


def check(theirs: sqlite3.Connection) -> None:
    """Look at every row.

    Args:
        theirs: at our schema, found whole by SQLite.

    Raises:
        SnapshotError: something in it can't be right; the sentence says in which table.
    """
    for name, count, function in (
        ("path", 1, path_is_fine),
        ("uuid", 1, _is_uuid),
        ("further_digest", 2, _is_digest),
        ("spans", 1, _are_spans),
    ):
        theirs.create_function(name, count, function, deterministic=True)
    for table, numbers in (("ways", rows.WAYS), ("results", rows.RESULTS)):
        named = dict(theirs.execute(f"SELECT no, name FROM {table}"))  # noqa: S608 - ours
        if named != {number: one.value for number, one in numbers.items()}:
            raise SnapshotError(f"Its {table} are not this program's.")
    for where, table, wrong in _NEVER:
        found = theirs.execute(f"SELECT 1 FROM {table} WHERE {wrong} LIMIT 1")  # noqa: S608 - ours
        if found.fetchone() is not None:
            raise SnapshotError(f"Something in its {where} can't be right.")
    theirs.create_function("event_is_fine", 4, event_is_fine, deterministic=True)
    theirs.execute(_EVENTS).fetchone()
    for row in theirs.execute(_PLACES):
        _check_place(row)
    for _ident, files in groupby(theirs.execute(_FILES), key=lambda row: row[0]):
        _check_roll(files)


def path_is_fine(raw: bytes) -> bool:
    """Whether these bytes are a path below a place."""
    if not raw or len(raw) > LONGEST_PATH or b"\0" in raw:
        return False
    return {b"", b".", b".."}.isdisjoint(raw.split(b"/"))


def _is_uuid(text: str) -> bool:
    return _UUID.fullmatch(text) is not None


def _is_digest(kind: str, value: str) -> bool:
    return _KIND_TEXT.fullmatch(kind) is not None and _DIGEST_TEXT.fullmatch(value) is not None


def _are_spans(damage: bytes) -> bool:
    if len(damage) % _PAIR.size:
        return False
    return all(0 <= first < last <= LARGEST_FILE for first, last in _PAIR.iter_unpack(damage))


def _check_place(row: tuple[str, bytes, str, str, int, bytes, str, *tuple[object, ...]]) -> None:
    try:
        place = rows.place_from(row)
        is_fine = validate_place_name(place.name) == place.name and _fits(place)
    except (ValueError, OverflowError, UsageError):
        is_fine = False
    if not is_fine:
        raise SnapshotError("Something in its places can't be right.")


def _fits(place: Place) -> bool:
    texts = (place.fs_uuid, place.label, place.device, place.profile)
    if any(len(text) > LONGEST_PATH for text in texts if text is not None):
        return False
    if place.size_bytes is not None and place.size_bytes < 0:
        return False
    is_bucket = place.kind is PlaceKind.BUCKET
    if is_bucket != (place.role is Role.CLOUD):
        return False
    if not is_bucket:
        return place.location.startswith("/") and "\0" not in place.location
    has_endpoint = place.endpoint is None or _ENDPOINT.fullmatch(place.endpoint) is not None
    return place.location.startswith("s3://") and place.location.isprintable() and has_endpoint


def _check_roll(
    files: Iterator[tuple[str, int, int, bytes | None, bytes | None, int | None]],
) -> None:
    pairs, size = [], 0
    ident, count, total = "", 0, 0
    for ident, count, total, path, name, file_size in files:  # noqa: B007 - the last ones are meant
        if path is not None and name is not None and file_size is not None:
            pairs.append((rows.path_from(path), rows.name_from(name)))
            size += file_size
    if (ident, count, total) != (roll_id(pairs), len(pairs), size):
        raise SnapshotError("A roll in it is not what its id says.")


def event_is_fine(kind: str, subject: bytes, at: int, detail: bytes) -> bool:
    """Whether an event can be taken over: its kind is known, and whoever reads it can."""
    try:
        known = EventKind(kind)
    except ValueError:
        return False
    if not EARLIEST <= at <= LATEST or len(subject) > LONGEST_TEXT or len(detail) > LONGEST_DETAIL:
        return False
    words = rows.unwords(detail)
    look = _DETAILS.get(known)
    return not _is_bottomless(words) and (look is None or look(words))


def _is_bottomless(detail: str) -> bool:
    """Whether it is JSON that nobody can read to its depth: whoever reads it later would fail."""
    try:
        json.loads(detail)
    except RecursionError:
        return True
    except ValueError:
        return False
    return False


def _is_health(detail: str) -> bool:
    """See ``actions.health``: signs are numbers or nothing, but for two lists of sentences."""
    try:
        told = json.loads(detail)
        signs = told["signs"]
        if signs is None:
            return True
        lists = [signs[name] for name in ("critical", "warnings")]
        numbers = [signs[name] for name in signs if name not in {"at", "critical", "warnings"}]
        at = datetime.fromisoformat(signs["at"])
        is_told = all(isinstance(one, str) for sentences in lists for one in sentences)
    except (ValueError, TypeError, KeyError, RecursionError):
        return False
    return at.tzinfo is not None and is_told and all(isinstance(one, int | None) for one in numbers)


_DETAILS: Final[dict[EventKind, Callable[[str], bool]]] = {
    EventKind.HEALTH: _is_health,
    EventKind.PROOF_TIME: lambda detail: _SECONDS.fullmatch(detail) is not None,
    EventKind.ROOM: lambda detail: _BYTES.fullmatch(detail) is not None,
    EventKind.STOOD: lambda detail: detail in set(Standing),
    EventKind.MOVED: lambda detail: _MOVED.fullmatch(detail) is not None,
}
