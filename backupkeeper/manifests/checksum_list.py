r"""Plain checksum lists, ``HASH  PATH`` a line, as general checksum tools write and read them.

Promises:
1. Pure, bytes in and bytes out: a name keeps its very bytes, UTF-8 or not.
2. A name with a backslash or a line feed is written with ``\\`` and ``\n``, and its line begins
   with a backslash: seen of Debian's ``b3sum`` 1.2.0 and ``sha256sum`` 9.1, and held by a test. The
   latter also writes a carriage return as ``\r``, which the former refuses; so ``escape_cr``.
3. Reading takes that form, with ``*`` before the name, with CRLF throughout, and the tagged one,
   ``NAME (PATH) = HASH``; a mark of UTF-8 at the beginning and lines that begin with ``#`` or ``;`` say
   nothing. Only ``ManifestError`` leaves, and no path that leads out is handed on.

``b3sum`` can't check a name that is not UTF-8; ``sha256sum`` and its like can.
"""

import re
from collections.abc import Iterable, Iterator
from typing import Final

from backupkeeper.core.errors import ManifestError, UsageError
from backupkeeper.manifests.names import impossible_path, path_bytes

LIST_LIMIT_BYTES: Final = 1 << 30
_DIGEST: Final = re.compile(r"(?:[0-9a-f]{2}){4,64}")
_LINE: Final = re.compile(rb"(\\?)([0-9a-fA-F]{8,128}) [ *](.+)", re.DOTALL)
_TAGGED: Final = re.compile(
    rb"(\\?)([A-Za-z0-9/_-]{1,20}) \((.+)\) = ([0-9a-fA-F]{8,128})", re.DOTALL
)
_UTF8_MARK: Final = b"\xef\xbb\xbf"
_REMARKS: Final = (b"#", b";")
_ESCAPES: Final = {b"\\": b"\\\\", b"\n": b"\\n", b"\r": b"\\r"}
_PLAIN: Final = {escaped[1:]: plain for plain, escaped in _ESCAPES.items()}
_ESCAPED: Final = re.compile(rb"\\(.?)", re.DOTALL)


def write_list(entries: Iterable[tuple[str, str]], *, escape_cr: bool = False) -> bytes:
    """A list of (hex digest, path), one line each, in the order given.

    Args:
        entries: digests as lower-case hex; paths below the folder where the list is checked.
        escape_cr: write a carriage return as the ``sha256sum`` kind of tools does.

    Raises:
        UsageError: a digest that is not hex, a path that no file can have.
    """
    special = re.compile(rb"[\\\n\r]" if escape_cr else rb"[\\\n]")
    return b"".join(_line(digest, path, special) for digest, path in entries)


def _line(digest: str, path: str, special: "re.Pattern[bytes]") -> bytes:
    if not _DIGEST.fullmatch(digest):
        raise UsageError(f"{digest!r} is no digest for a checksum list.")
    if why := impossible_path(path):
        raise UsageError(f"{path!r} can't stand in a checksum list: {why}.")
    raw = path_bytes(path)
    safe = special.sub(lambda found: _ESCAPES[found[0]], raw)
    mark = b"\\" if safe != raw else b""
    return mark + digest.encode("ascii") + b"  " + safe + b"\n"


def read_list(data: bytes) -> tuple[tuple[str, str], ...]:
    """The (lower-case hex digest, path) pairs of a list of unknown making.

    Raises:
        ManifestError: too long, a line without the form, a path that leads out, a path twice.
    """
    return tuple((digest, path) for _, digest, path in read_tagged(data))


def read_tagged(data: bytes) -> tuple[tuple[str, str, str], ...]:
    """As ``read_list``, with what stands before each as the name of its digest ("": nothing).

    Raises:
        ManifestError: as there.
    """
    if len(data) > LIST_LIMIT_BYTES:
        raise ManifestError(f"A checksum list is longer than {LIST_LIMIT_BYTES:,} bytes.")
    found: dict[str, tuple[str, str]] = {}
    for number, line in enumerate(_lines(data.removeprefix(_UTF8_MARK)), 1):
        if not line or line.startswith(_REMARKS):
            continue
        tag, digest, path = _parsed(line, number)
        if why := impossible_path(path):
            raise ManifestError(f"Line {number} of the checksum list can't be used: {why}.")
        if path in found:
            raise ManifestError(f"Line {number} of the checksum list names a path again.")
        found[path] = tag, digest
    return tuple((tag, digest, path) for path, (tag, digest) in found.items())


def _lines(data: bytes) -> Iterator[bytes]:
    """One by one: a list of all the short lines that fit would be many times as large."""
    data = data.removesuffix(b"\n")
    is_crlf = data.endswith(b"\r") and data.count(b"\n") == data.count(b"\r\n")
    start = 0
    while start <= len(data):
        end = data.find(b"\n", start)
        line = data[start : end if end >= 0 else len(data)]
        yield line.removesuffix(b"\r") if is_crlf else line
        start = end + 1 if end >= 0 else len(data) + 1


def _parsed(line: bytes, number: int) -> tuple[str, str, str]:
    tag = b""
    if (form := _LINE.fullmatch(line)) is not None:
        escaped, digest, name = form.groups()
    elif (form := _TAGGED.fullmatch(line)) is not None:
        escaped, tag, name, digest = form.groups()
    else:
        raise ManifestError(f"Line {number} of the checksum list has not the form HASH  PATH.")
    if escaped:
        name = _ESCAPED.sub(lambda match: _unescaped(match[1], number), name)
    path = name.decode("utf-8", "surrogateescape").removeprefix("./")
    return tag.decode("ascii"), digest.decode("ascii").lower(), path


def _unescaped(letter: bytes, number: int) -> bytes:
    if letter not in _PLAIN:
        raise ManifestError(f"Line {number} of the checksum list has an unknown escape.")
    return _PLAIN[letter]
