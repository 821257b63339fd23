"""Which path may stand in a manifest, and which must be told in another way.

Promises:
1. A path read from outside that could lead out of its folder on any system is refused
   (``unsafe_path``, STANDARDS section 1.6): absolute, ``.``, ``..``, ``//``, NUL, drive letters,
   the same with backslashes.
2. What XML 1.0 can't carry (section 2.2: control characters, surrogates, U+FFFE, U+FFFF) is never
   altered: it is percent-encoded elsewhere in the manifest (``percent`` and ``unpercent`` are
   exact inverses on the bytes of the name).
"""

import re
from typing import Final
from urllib.parse import quote_from_bytes, unquote_to_bytes

from backupkeeper.core.errors import UsageError

LONGEST_PATH_BYTES: Final = 4096
"""Linux ``PATH_MAX``; no longer path can be opened in one call."""
_NOT_XML: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_DRIVE_LETTER: Final = re.compile(r"[A-Za-z]:")
_PERCENT_TEXT: Final = re.compile(r"(?:[!-$&-~ ]|%[0-9A-Fa-f]{2})*")


def path_bytes(path: str) -> bytes:
    """The bytes of a path, whatever the locale.

    Raises:
        UsageError: a lone surrogate that stands for no byte (no file system gave this name).
    """
    try:
        return path.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError as error:
        raise UsageError(f"{path!r} is not the name of any file.") from error


def impossible_path(path: str) -> str | None:
    """Why no file below a folder can have this relative path, or None."""
    parts = path.split("/")
    for wrong, why in (
        (not path, "the path is empty"),
        ("\0" in path, "the path holds a NUL"),
        (path.startswith("/"), "the path is absolute"),
        ("" in parts, "the path holds an empty part"),
        ("." in parts or ".." in parts, "the path holds . or .."),
    ):
        if wrong:
            return why
    try:
        too_long = len(path_bytes(path)) > LONGEST_PATH_BYTES
    except UsageError:
        return "the path is no name of a file"
    return "the path is too long" if too_long else None


def unsafe_path(path: str) -> str | None:
    """Why a path is refused on reading, or None: what is dangerous on any system."""
    if why := impossible_path(path):
        return why
    if _DRIVE_LETTER.match(path):
        return "the path begins with a drive letter"
    if path.startswith("\\"):
        return "the path begins with a backslash"
    parts = re.split(r"[/\\]", path)
    return "the path holds . or .. between backslashes" if {".", ".."} & set(parts) else None


def fits_xml(text: str) -> bool:
    """Whether XML 1.0 can carry the text."""
    return _NOT_XML.search(text) is None


def made_fit(text: str) -> str:
    """Free text (a host name, a comment) with U+FFFD for what XML can't carry. Never for paths."""
    return _NOT_XML.sub("\ufffd", text)


def percent(path: str) -> str:
    """The bytes of a path as percent-encoded ASCII; letters, digits and ``/_.-~`` stay."""
    return quote_from_bytes(path_bytes(path), safe="/")


def unpercent(text: str) -> str | None:
    """The path that ``percent`` encoded, or None if the text is not such an encoding."""
    if not _PERCENT_TEXT.fullmatch(text):
        return None
    return unquote_to_bytes(text).decode("utf-8", "surrogateescape")


def folders_above(path: str) -> list[str]:
    """Every folder that holds the path, nearest first, the scope itself (``""``) last."""
    above = []
    while path:
        path = path.rpartition("/")[0]
        above.append(path)
    return above
