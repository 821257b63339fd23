"""A place's marker: the small file by which a drive says which place it is.

Promises:
1. ``decode_marker`` takes any bytes at all and lets nothing but ``MarkerError`` out.
2. A decoded name can be printed: it holds no control or invisible character.
3. A marker is a claim. A clone of a drive carries the same one; it is told from its model by the
   file system's UUID, which the catalog remembers.
"""

import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from backupkeeper.core.errors import MarkerError, UsageError
from backupkeeper.core.model import PlaceId, Role
from backupkeeper.core.naming import validate_place_name

FOLDER: Final = ".backupkeeper"
"""Our folder at the root of a drive."""
MARKER_PATH: Final = ".backupkeeper/place.json"
"""Where the marker lies, below the root of the drive."""
MARKER_LIMIT_BYTES: Final = 16 * 1024
"""A longer file is no marker."""
VERSION: Final = 1

_UUID: Final = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


@dataclass(frozen=True, kw_only=True, slots=True)
class Marker:
    """What a marker says. ``created`` is aware, UTC."""

    version: int = VERSION
    id: PlaceId
    name: str
    role: Role
    created: datetime


def encode_marker(marker: Marker) -> bytes:
    """The marker as UTF-8 JSON, one object, keys in a fixed order, a newline at the end.

    Raises:
        UsageError: the name can't be used.
    """
    text = json.dumps(
        {
            "version": marker.version,
            "id": marker.id,
            "name": validate_place_name(marker.name),
            "role": marker.role.value,
            "created": marker.created.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        },
        ensure_ascii=False,
        indent=2,
    )
    return text.encode() + b"\n"


def decode_marker(data: bytes) -> Marker:
    """Read a marker of unknown making. Keys that are not known are passed over.

    Raises:
        MarkerError: too long, no JSON object, another version, or a value that can't be right.
    """
    if len(data) > MARKER_LIMIT_BYTES:
        raise MarkerError(f"The place's marker is longer than {MARKER_LIMIT_BYTES} bytes.")
    try:
        loaded: object = json.loads(data.decode("utf-8"), object_pairs_hook=_once)
    except (ValueError, RecursionError):
        raise MarkerError("The place's marker is no JSON text.") from None
    if not isinstance(loaded, dict):
        raise MarkerError("The place's marker is no JSON object.")
    values: dict[object, object] = loaded
    version = values.get("version")
    # ``True == 1`` in Python, not in JSON.
    if type(version) is not int or version != VERSION:
        raise MarkerError(
            "The place's marker has a version that this program does not know.",
            advice="It may come from a newer backupkeeper.",
        )
    return Marker(
        version=version,
        id=PlaceId(_matching(values, "id")),
        name=_name(values),
        role=_role(values),
        created=_time(values),
    )


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key comes twice")
    return found


def _text(values: dict[object, object], key: str) -> str:
    value = values.get(key)
    if not isinstance(value, str):
        raise MarkerError(f"The place's marker has no text as its {key}.")
    return value


def _matching(values: dict[object, object], key: str) -> str:
    value = _text(values, key)
    if not _UUID.fullmatch(value):
        raise MarkerError(f"The place's marker has no UUID as its {key}.")
    return value


def _name(values: dict[object, object]) -> str:
    try:
        return validate_place_name(_text(values, "name"))
    except UsageError as error:
        raise MarkerError(f"The place's marker can't be believed. {error.message}") from None


def _role(values: dict[object, object]) -> Role:
    try:
        return Role(_text(values, "role"))
    except ValueError:
        raise MarkerError(
            "The place's marker has a role that this program does not know."
        ) from None


def _time(values: dict[object, object]) -> datetime:
    try:
        created = datetime.fromisoformat(_text(values, "created"))
        if created.tzinfo is None:
            raise MarkerError("The place's marker has a time without a zone.")
        return created.astimezone(UTC)
    except (ValueError, OverflowError):
        raise MarkerError("The place's marker has no time as its created.") from None
