"""Checksums as an object store computes them, for the strict store of the tests.

Written a second time, on purpose: the program's own (``cloud.checks``) are held against these. What
the standard library knows is taken from it, CRC-32C and CRC-64/NVME go by tables.
"""

import binascii
import hashlib
import zlib
from base64 import b64decode, b64encode
from collections.abc import Callable, Mapping
from typing import Final

import xxhash

FULL, COMPOSITE = "FULL_OBJECT", "COMPOSITE"


def _table(polynomial: int) -> tuple[int, ...]:
    table = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = value >> 1 ^ (polynomial if value & 1 else 0)
        table.append(value)
    return tuple(table)


def _crc(data: bytes, table: tuple[int, ...], size: int) -> bytes:
    ones = (1 << 8 * size) - 1
    value = ones
    for byte in data:
        value = value >> 8 ^ table[(value ^ byte) & 0xFF]
    return (value ^ ones).to_bytes(size, "big")


# Reflected polynomials: CRC-32C of RFC 3720, CRC-64/NVME of the NVM Express base specification;
# both from memory, held to the check values in the tests.
_CRC32C: Final = _table(0x82F63B78)
_CRC64NVME: Final = _table(0x9A6C9329AC4BC9B5)

DIGESTS: Final[Mapping[str, Callable[[bytes], bytes]]] = {
    "crc32": lambda data: zlib.crc32(data).to_bytes(4, "big"),
    "crc32c": lambda data: _crc(data, _CRC32C, 4),
    "crc64nvme": lambda data: _crc(data, _CRC64NVME, 8),
    "sha1": lambda data: hashlib.sha1(data).digest(),
    "sha256": lambda data: hashlib.sha256(data).digest(),
    "sha512": lambda data: hashlib.sha512(data).digest(),
    "md5": lambda data: hashlib.md5(data).digest(),
    "xxhash64": lambda data: xxhash.xxh64(data).digest(),
    "xxhash3": lambda data: xxhash.xxh3_64(data).digest(),
    "xxhash128": lambda data: xxhash.xxh3_128(data).digest(),
}
"""The ten kinds of ``x-amz-checksum-*`` (STANDARDS section 7.3); each digest big-endian."""

TYPES: Final[Mapping[str, tuple[str, ...]]] = {
    "crc64nvme": (FULL,),
    "crc32": (COMPOSITE, FULL),
    "crc32c": (COMPOSITE, FULL),
}
"""What each kind can be for an upload in parts, the usual one first (STANDARDS section 7.3)."""


def types_of(kind: str) -> tuple[str, ...]:
    """Which types a kind of checksum has for an upload in parts, the usual one first."""
    return TYPES.get(kind, (COMPOSITE,))


def text_of(digest: bytes) -> str:
    """A digest as it travels: base64."""
    return b64encode(digest).decode("ascii")


def checksum(kind: str, data: bytes) -> str:
    """The checksum of some bytes, as it travels."""
    return text_of(DIGESTS[kind](data))


def composite(kind: str, parts: list[str]) -> str:
    """The checksum of an object in parts: of the parts' digests one after the other, and ``-N``."""
    joined = b"".join(b64decode(part) for part in parts)
    return f"{checksum(kind, joined)}-{len(parts)}"


def is_well_formed(kind: str, text: str) -> bool:
    """Whether a text could be a checksum of this kind at all."""
    try:
        digest = b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        return False
    return len(digest) == len(DIGESTS[kind](b""))


def md5_hex(data: bytes) -> str:
    """MD5 as it stands in an ETag (STANDARDS section 7.2)."""
    return hashlib.md5(data).hexdigest()


def etag_in_parts(parts: list[bytes]) -> str:
    """The ETag of an object in parts: MD5 of the parts' binary MD5s, and how many."""
    return f"{md5_hex(b''.join(hashlib.md5(part).digest() for part in parts))}-{len(parts)}"
