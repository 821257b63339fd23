"""The checks that travel with a body, and the body itself.

Promises:
1. The digests, that of the signed body too (``cloud.signing``), are computed from the views that the
   caller checked, not from the copy that is sent: a copy that went wrong in memory is refused by the
   store.
2. A body is handed to the network in small pieces (it is a file for boto3, not bytes). As one
   piece its whole sending would have to end within one socket timeout, too short for a slow line.
3. Nothing here is larger than the part it was asked for.
4. MD5 costs more than all else together (``tests/benchmarks``), so it is computed only where it is
   needed: where no SHA-256 of ours is enforced, and where an answer is compared with it.
"""

import hashlib
import io
import re
import zlib
from base64 import b64encode
from collections.abc import Callable, Container, Iterable, Iterator
from dataclasses import dataclass
from threading import Event

from backupkeeper.core.errors import SourceChangedError
from backupkeeper.core.parts import part_count, size_of_part

MD5 = "content-md5"
PAYLOAD = "x-amz-content-sha256"
EXTRAS: dict[str, str] = {
    "sha256": "ChecksumSHA256",
    "crc32": "ChecksumCRC32",
    "crc64nvme": "ChecksumCRC64NVME",
}
"""``x-amz-checksum-*`` by name, with boto3's parameter, the most telling first."""
# A request, and a multipart upload, takes one of them only (observed rule of Amazon S3, from
# memory). CRC-64/NVME is computed in Python, slowly, and so is taken only if nothing else is there.

_POLY_CRC64NVME = 0x9A6C9329AC4BC9B5  # reflected; catalogue of parametrised CRC algorithms, memory
_MD5 = re.compile(r"[0-9a-f]{32}")
_ALL_ONES = 0xFFFF_FFFF_FFFF_FFFF


def _crc64_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = (value >> 1) ^ (_POLY_CRC64NVME if value & 1 else 0)
        table.append(value)
    return tuple(table)


_TABLE = _crc64_table()


def crc64nvme(data: bytes | memoryview, value: int = 0) -> int:
    """CRC-64/NVME of ``data``, going on from ``value`` (as ``zlib.crc32`` does)."""
    value ^= _ALL_ONES
    for byte in data:
        value = (value >> 8) ^ _TABLE[(value ^ byte) & 0xFF]
    return value ^ _ALL_ONES


class _StoppedError(BaseException):
    """Sending was given up. No ``Exception``, so that no retry of a library swallows it."""


class Body(io.BytesIO):
    """Bytes of a part that stop being sent when they are not wanted any more."""

    def __init__(self, stop: Event) -> None:
        super().__init__()
        self._stop = stop
        self.sha256 = ""
        """SHA-256 in hex of the bytes that were meant; empty while it is not known."""

    def read(self, size: int | None = -1, /) -> bytes:
        """Read on, unless sending was stopped."""
        if self._stop.is_set():
            raise _StoppedError
        return super().read(size)


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """A part ready to be sent. ``checks`` are boto3's parameters for the checks it travels with.

    ``md5`` is in hex, as in an ETag; None where it was not wanted.
    """

    number: int
    body: Body
    md5: str | None
    checks: dict[str, str]


def text_of(digest: bytes) -> str:
    """A digest as it travels: base64 of its big-endian bytes (STANDARDS section 7.3)."""
    return b64encode(digest).decode("ascii")


def etag_of_parts(md5s: Iterable[str]) -> str:
    """The ETag that a plain store gives to an object of parts: MD5 of their MD5s, and their count."""
    digests = [bytes.fromhex(md5) for md5 in md5s]
    return f"{hashlib.md5(b''.join(digests), usedforsecurity=False).hexdigest()}-{len(digests)}"


def looks_like_md5(etag: str) -> bool:
    """Whether an ETag can be an MD5 at all."""
    return _MD5.fullmatch(etag) is not None


class Digests:
    """SHA-256, one extra check and MD5 if it is wanted, over views that come one after the other."""

    def __init__(self, extra: str | None, *, md5: bool = True) -> None:
        self._md5 = hashlib.md5(usedforsecurity=False) if md5 else None
        self._sha256 = hashlib.sha256()
        self._crc: Callable[[memoryview | bytes, int], int] | None = {
            "crc32": zlib.crc32,
            "crc64nvme": crc64nvme,
        }.get(extra or "")
        self._crc_bytes = 4 if extra == "crc32" else 8
        self._value = 0
        self._extra = extra

    def add(self, view: memoryview | bytes) -> None:
        """Take in the next bytes."""
        self._sha256.update(view)
        if self._md5 is not None:
            self._md5.update(view)
        if self._crc is not None:
            self._value = self._crc(view, self._value)

    @property
    def md5(self) -> str | None:
        """MD5 so far, in hex; None where it is not wanted."""
        return None if self._md5 is None else self._md5.hexdigest()

    @property
    def sha256(self) -> str:
        """SHA-256 so far, in hex."""
        return self._sha256.hexdigest()

    @property
    def checks(self) -> dict[str, str]:
        """boto3's parameters for the checks."""
        checks = {} if self._md5 is None else {"ContentMD5": text_of(self._md5.digest())}
        if self._extra == "sha256":
            checks[EXTRAS["sha256"]] = text_of(self._sha256.digest())
        if self._crc is not None and self._extra:
            checks[EXTRAS[self._extra]] = text_of(self._value.to_bytes(self._crc_bytes, "big"))
        return checks


def checks_of(data: bytes, extra: str | None = None) -> dict[str, str]:
    """boto3's parameters for the checks of some bytes."""
    digests = Digests(extra)
    digests.add(data)
    return digests.checks


def extra_of(refuses_wrong: frozenset[str]) -> str | None:
    """Which ``x-amz-checksum-*`` to send along, or None where the store refuses none."""
    usable = [name for name in EXTRAS if name in refuses_wrong]
    if usable == ["crc64nvme"] and refuses_wrong & {MD5, PAYLOAD}:
        return None
    return usable[0] if usable else None


def leaves_md5_out(refuses_wrong: frozenset[str], *, may_lock: bool) -> bool:
    """Whether parts travel without MD5, for a SHA-256 of theirs is seen to by the store.

    Args:
        refuses_wrong: The checks that it was seen to refuse when wrong.
        may_lock: Whether it may keep objects locked: what is locked needs MD5 or an
            ``x-amz-checksum-*`` (STANDARDS section 7.4).
    """
    extra = extra_of(refuses_wrong)
    if extra == "sha256":
        return True
    return PAYLOAD in refuses_wrong and (extra is not None or not may_lock)


def gathered(
    path: str,
    blocks: Iterator[memoryview],
    *,
    size: int,
    part: int,
    extra: str | None,
    stop: Event,
    md5_of: Container[int] | None = None,
) -> Iterator[Part]:
    """Gather a file's blocks into parts.

    Args:
        path: The file, for errors.
        blocks: Its blocks in order, a part is a whole number of them.
        size: Bytes of the file.
        part: Bytes of every part but the last.
        extra: Which check to compute beside SHA-256.
        stop: Stops the sending of the bodies.
        md5_of: Numbers of the parts of which MD5 is wanted too; None: of all.

    Yields:
        The parts in order, at least one.

    Raises:
        SourceChangedError: There were more or fewer bytes than ``size``.
    """
    for number in range(1, part_count(size, part) + 1):
        wanted = size_of_part(size, part, number)
        body = Body(stop)
        digests = Digests(extra, md5=md5_of is None or number in md5_of)
        while body.tell() < wanted:
            view = next(blocks, None)
            if view is None or body.tell() + len(view) > wanted:
                raise SourceChangedError(path)
            digests.add(view)
            body.write(view)
        body.seek(0)
        body.sha256 = digests.sha256
        yield Part(number=number, body=body, md5=digests.md5, checks=digests.checks)
    if next(blocks, None) is not None:
        raise SourceChangedError(path)
