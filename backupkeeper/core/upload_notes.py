"""Notes on uploads under way, for other machines: how they are written and read. Pure.

A listing of uploads does not say who began one or what it is to be. So each catalog tells of its own
in one small object of the bucket: which file, in parts of which size.

Promises:
1. A note is hearsay. ``read_note`` takes any bytes at all and lets nothing but ``HostileInputError``
   out; an entry that can't be right is passed over.
2. What was read is only ever compared with what is wanted here; no path or key is made of it. No
   check that it may claim is believed (``Begun.enforced`` is empty).
"""

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from backupkeeper.core.errors import HostileInputError
from backupkeeper.core.model import Blake3
from backupkeeper.core.parts import LARGEST_OBJECT, LARGEST_PART
from backupkeeper.core.uploads import Begun

FOLDER: Final = ".backupkeeper/uploads"
"""Where notes lie, below the prefix of a bucket."""
NOTE_LIMIT_BYTES: Final = 64 * 1024
"""A longer one is none; of more uploads than fit only the newest are told."""
MOST_NOTES: Final = 64
"""Notes of more catalogs than this are not looked at."""
VERSION: Final = 1

_NAME: Final = re.compile(r"([0-9a-f]{32})\.json")
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
_UPLOAD: Final = re.compile(r"[!-~]{1,1024}")
_CHECK: Final = re.compile(r"[0-9a-z]{1,32}")
_TICKET: Final = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


@dataclass(frozen=True, kw_only=True, slots=True)
class Noted:
    """An upload as a note tells of it. ``size``: bytes of its file."""

    begun: Begun
    size: int


def note_path(catalog: str) -> str:
    """Where the note of a catalog lies. ``catalog``: its id, 32 hexadecimal digits."""
    return f"{FOLDER}/{catalog}.json"


def is_note(path: str) -> bool:
    """Whether a path is one of a note."""
    folder, _, name = path.rpartition("/")
    return folder == FOLDER and _NAME.fullmatch(name) is not None


def written_note(catalog: str, uploads: Iterable[Noted], now: datetime) -> bytes:
    """A note as JSON in ASCII, one object, at most ``NOTE_LIMIT_BYTES``; the newest upload first."""
    head = {"version": VERSION, "catalog": catalog, "written": _stamp(now)}
    told: list[object] = []
    room = NOTE_LIMIT_BYTES - len(_json({**head, "uploads": []}))
    for one in sorted(uploads, key=lambda noted: noted.begun.begun_at, reverse=True):
        entry = _entry(one)
        room -= len(_json(entry)) + 1
        if room < 0:
            break
        if _noted(entry) is not None:  # what nobody would take needs no telling
            told.append(entry)
    return _json({**head, "uploads": told})


def _json(value: object) -> bytes:
    return json.dumps(value, separators=(",", ":")).encode()


def _entry(noted: Noted) -> dict[str, object]:
    begun = noted.begun
    return {
        "path": begun.key,
        "size": noted.size,
        "blake3": begun.content,
        "upload": begun.upload,
        "part_bytes": begun.part_bytes,
        "check": begun.check,
        "ticket": begun.ticket,
        "begun": _stamp(begun.begun_at),
    }


def _stamp(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def read_note(data: bytes) -> tuple[Noted, ...]:
    """Read a note of unknown making.

    Raises:
        HostileInputError: too long, no JSON object, another version, no list of uploads.
    """
    if len(data) > NOTE_LIMIT_BYTES:
        raise HostileInputError(f"A note on uploads is longer than {NOTE_LIMIT_BYTES} bytes.")
    try:
        loaded: object = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError):
        raise HostileInputError("A note on uploads is no JSON text.") from None
    uploads = loaded.get("uploads") if isinstance(loaded, dict) else None
    # ``True == 1`` in Python, not in JSON.
    if not isinstance(loaded, dict) or type(loaded.get("version")) is not int:
        raise HostileInputError("A note on uploads is no JSON object with a version.")
    if loaded["version"] != VERSION or not isinstance(uploads, list):
        raise HostileInputError("A note on uploads is of a version that is not known here.")
    return tuple(_all_noted(uploads))


def _all_noted(uploads: list[object]) -> Iterator[Noted]:
    for entry in uploads:
        if isinstance(entry, dict) and (noted := _noted(entry)) is not None:
            yield noted


def _noted(entry: dict[str, object]) -> Noted | None:
    path, check = entry.get("path"), entry.get("check")
    size = _number(entry, "size", LARGEST_OBJECT)
    part = _number(entry, "part_bytes", LARGEST_PART)
    content = _matching(entry, "blake3", _DIGEST)
    upload = _matching(entry, "upload", _UPLOAD)
    ticket = _matching(entry, "ticket", _TICKET)
    begun = _time(entry)
    if not isinstance(path, str) or size is None or part is None or content is None:
        return None
    if upload is None or ticket is None or begun is None:
        return None
    if check is not None and not (isinstance(check, str) and _CHECK.fullmatch(check)):
        return None
    return Noted(
        begun=Begun(
            key=path,
            content=Blake3(content),
            upload=upload,
            part_bytes=part,
            check=check,
            enforced=(),
            ticket=ticket,
            begun_at=begun,
        ),
        size=size,
    )


def _number(entry: dict[str, object], key: str, most: int) -> int | None:
    value = entry.get(key)
    return value if type(value) is int and 0 < value <= most else None


def _matching(entry: dict[str, object], key: str, pattern: re.Pattern[str]) -> str | None:
    value = entry.get(key)
    return value if isinstance(value, str) and pattern.fullmatch(value) else None


def _time(entry: dict[str, object]) -> datetime | None:
    value = entry.get("begun")
    try:
        found = datetime.fromisoformat(value) if isinstance(value, str) else None
        return found.astimezone(UTC) if found is not None and found.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None
