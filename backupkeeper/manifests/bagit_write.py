"""Writes the tag files of a bag (RFC 8493).

Promises:
1. Pure: values in, bytes out; UTF-8 without a byte order mark, lines that end in LF.
2. Manifests are sorted, name each file once, and can be checked by general checksum tools, but for
   names with CR, LF or ``%``, which the RFC encodes.

    payload = manifest({"data/hello.txt": digest})
    tags = {"bagit.txt": declaration(), "bag-info.txt": info([...]), "manifest-sha512.txt": payload}
"""

from collections.abc import Iterable, Mapping
from typing import Final

from backupkeeper.core.errors import UsageError
from backupkeeper.manifests.bagit import encoded
from backupkeeper.manifests.names import unsafe_path

_BREAKS: Final = str.maketrans({"\r": " ", "\n": " "})


def declaration() -> bytes:
    """``bagit.txt``: two lines, always the same."""
    return b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def info(entries: Iterable[tuple[str, str]]) -> bytes:
    """``bag-info.txt``: one label and value a line, in the order given; empty values are left out."""
    lines = [f"{label}: {value.translate(_BREAKS).strip()}\n" for label, value in entries if value]
    return "".join(lines).encode("utf-8", "replace")


def manifest(digests: Mapping[str, str]) -> bytes:
    """A manifest, or tag manifest, of (path, lower-case hex digest) pairs.

    Raises:
        UsageError: a path that readers must refuse, or that UTF-8 can't name.
    """
    lines = []
    for path in sorted(digests):
        if why := unsafe_path(path):
            raise UsageError(f"{path!r} can't stand in a bag: {why}.")
        lines.append(f"{digests[path]}  {encoded(path)}\n")
    try:
        return "".join(lines).encode()
    except UnicodeEncodeError as error:
        raise UsageError(
            "A file's name is not UTF-8, and a bag can't name it.",
            advice="Hand it over with --format mhl, or onto a file system where names are UTF-8 (exFAT).",
        ) from error
