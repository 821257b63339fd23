"""Checksum lists that other programs left beside footage: which kind, and what they say of which file.

Promises:
1. Pure. Only ``ManifestError`` leaves, and no path that leads out is handed on.
2. Which digest it is, is never guessed: the list's name says it, or each line (``MD5 (NAME) = ...``), and
   it has the length of that kind. A line whose kind is not known here says nothing, and is counted.

The names are common practice, no source; the tags were seen of coreutils 9.1 and xxhsum 0.8.1 (``XXH3`` is its 64-bit kind).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from backupkeeper.core.errors import ManifestError
from backupkeeper.manifests.checksum_list import read_tagged
from backupkeeper.manifests.formats import BLAKE3, BLAKE3_DIGITS, HEX_DIGITS, Format
from backupkeeper.manifests.mhl_model import FOLDER
from backupkeeper.manifests.names import impossible_path

OLD_LIST_LIMIT_BYTES: Final = 64 << 20
"""Half a million lines; a longer one is no list that a person made of footage."""
SHA256: Final = "sha256"
DIGITS: Final[Mapping[str, int]] = {
    **{str(form): digits for form, digits in HEX_DIGITS.items()},
    BLAKE3: BLAKE3_DIGITS,
    SHA256: 64,
}
_NAMES: Final = {
    "md5": Format.MD5,
    "sha1": Format.SHA1,
    "sha256": SHA256,
    "xxh64": Format.XXH64,
    "xxh128": Format.XXH128,
    "xxh3": Format.XXH3,
    "b3": BLAKE3,
    "blake3": BLAKE3,
}
_SUMS: Final = re.compile(r"([a-z0-9]+)sums?(?:\.txt)?")
_BARE: Final = re.compile(rb"\s*([0-9a-fA-F]{16,64})\s*")


@dataclass(frozen=True, kw_only=True, slots=True)
class OldList:
    """What a list says: path below its folder -> kind of digest and digest, lower-case hex.

    ``unknown``: lines with a digest of a kind that is not known here.
    """

    said: Mapping[str, tuple[str, str]]
    unknown: int = 0


def kind_of_list(name: str) -> str | None:
    """The kind of digest of a list by its file's name (``A.md5``, ``B3SUMS``); None: it is no list."""
    low = name.lower()
    match = _SUMS.fullmatch(low)
    if match is not None:
        return _text(_NAMES.get(match[1]))
    stem, dot, extension = low.rpartition(".")
    return _text(_NAMES.get(extension)) if stem and dot else None


def tells_of_files(path: str) -> bool:
    """Whether a file, by its path, only says what others are: a checksum list, or part of a history."""
    *folders, name = path.split("/")
    return FOLDER in folders or kind_of_list(name) is not None


def _text(kind: str | None) -> str | None:
    return None if kind is None else str(kind)


def read_old_list(data: bytes, name: str) -> OldList:
    """What a list says.

    A list that is one digest and nothing else speaks of the file that it is called after
    (``CLIP.MOV.md5`` of ``CLIP.MOV``).

    Args:
        data: the whole list.
        name: of its file, which ``kind_of_list`` knows.

    Raises:
        ManifestError: it is none, or can't be believed.
    """
    kind = kind_of_list(name)
    if kind is None:
        raise ManifestError(f"{name!a} is no checksum list by its name.")
    bare = _BARE.fullmatch(data)
    stem = name.rpartition(".")[0]
    if bare is not None and stem and not impossible_path(stem):
        return OldList(said={stem: (kind, _right(kind, bare[1].decode("ascii").lower(), stem))})
    said: dict[str, tuple[str, str]] = {}
    unknown = 0
    for tag, digest, path in read_tagged(data):
        form = _text(_NAMES.get(tag.lower())) if tag else kind
        if form is None:
            unknown += 1
            continue
        said[path] = form, _right(form, digest, path)
    return OldList(said=said, unknown=unknown)


def _right(kind: str, digest: str, path: str) -> str:
    if len(digest) != DIGITS[kind]:
        raise ManifestError(
            f"The checksum list has no {kind} for {path!a}: the digest is too long or short."
        )
    return digest
