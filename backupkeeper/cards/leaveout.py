"""What operating systems leave behind on a card, and what is footage wherever it lies.

Promises:
1. Pure, and never a guess: only the names of STANDARDS section 8.6 (common knowledge, no source)
   are litter; everything else is taken. AppleDouble files (``._NAME``) can carry real data, so
   they are taken like any file.
2. Folders that a system makes at the root of a volume are litter only there.
3. A clip is footage even in a system's folder (``is_clip``).
"""

import re
from collections.abc import Iterable
from typing import Final

_FILES_ANYWHERE: Final = {
    ".ds_store": "folder view of one operating system",
    "thumbs.db": "preview images of one operating system",
    "desktop.ini": "folder view of one operating system",
}
_FILES_AT_ROOT: Final = {
    ".apdisk": "sharing settings of one operating system",
    ".volumeicon.icns": "icon of the volume",
}
_FOLDERS_AT_ROOT: Final = {
    ".spotlight-v100": "search index of one operating system",
    ".fseventsd": "change log of one operating system",
    ".temporaryitems": "temporary files of one operating system",
    ".documentrevisions-v100": "document versions of one operating system",
    "system volume information": "restore points of one operating system",
    ".trashes": "trash of one operating system",
    "$recycle.bin": "trash of one operating system",
}
_TRASH_OF_USER: Final = re.compile(r"\.trash(-[0-9]+)?", re.ASCII)
_STILL_OPEN: Final = re.compile(r"\.(fuse_hidden[0-9a-f]{16,}|nfs[0-9a-f]{16,})", re.ASCII)
LOST_AND_FOUND: Final = "lost+found"

CLIP_EXTENSIONS: Final = frozenset(
    [
        *("360", "3gp", "avi", "insv", "m2t", "m2ts", "m4v", "mkv", "mov", "mp4", "mpeg", "mpg"),
        *("mts", "mxf", "ts", "webm", "wmv", "ari", "arx", "braw", "crm", "dng", "cine", "r3d"),
        *("aac", "aif", "aiff", "bwf", "flac", "m4a", "mp3", "rf64", "w64", "wav"),
        *("arw", "cr2", "cr3", "gpr", "heic", "heif", "jpeg", "jpg", "nef", "orf", "pef", "raf"),
        *("raw", "rw2", "srw", "tif", "tiff", "3fr", "fff", "hif", "iiq", "nrw", "png", "x3f"),
        *("dv", "mlv", "mod", "nev", "ogv", "tod", "vob", "mka", "ogg", "opus", "wma"),
    ]
)
"""Extensions of moving pictures, sound and stills. Common practice, no source."""


def file_litter(path: str) -> str | None:
    """Why a regular file at this path (relative to the card's root) is left out, or None."""
    name = path.rpartition("/")[2].lower()
    reason = _FILES_ANYWHERE.get(name)
    if reason is None and "/" not in path:
        reason = _FILES_AT_ROOT.get(name)
    if reason is None and _STILL_OPEN.fullmatch(name):
        reason = "removed while a program had it open"
    return reason


def folder_litter(path: str) -> str | None:
    """Why a folder at this path (relative to the card's root) is left out, or None.

    What lies in it has to be looked through for clips all the same.
    """
    name = path.lower()  # with a slash in it, it is none of these
    if _TRASH_OF_USER.fullmatch(name):
        return "trash of one operating system"
    return _FOLDERS_AT_ROOT.get(name)


def is_clip(path: str) -> bool:
    """Whether the extension is one of moving pictures, sound or stills."""
    stem, dot, extension = path.rpartition("/")[2].rpartition(".")
    return bool(stem and dot) and extension.lower() in CLIP_EXTENSIONS


def mhl_ignore_patterns(left_out: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """The lines in gitignore form for what was left out (ASC MHL 2.0, STANDARDS section 1.11).

    Each is anchored to the roll's folder and names one entry. A character that can't stand in such
    a line (line break, control, undecodable byte) becomes ``?``, which matches any one character.

    Args:
        left_out: path and reason, as in ``CardListing.left_out``.
    """
    return tuple("/" + _literally(path) for path, _ in left_out)


def _literally(path: str) -> str:
    line = re.sub(r"([\\*?\[\]!#])", r"\\\1", path)
    line = "".join("?" if _untellable(c) else c for c in line)
    bare = line.rstrip(" ")
    return bare + "\\ " * (len(line) - len(bare))


def _untellable(character: str) -> bool:
    return character < " " or "\x7f" <= character <= "\x9f" or "\ud800" <= character <= "\udfff"
