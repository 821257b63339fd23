"""The six hash formats that an ASC MHL manifest has elements for (STANDARDS section 1.7).

Promises:
1. Pure. Texts are canonical: lower-case hex, most significant byte first, C4 as ``core.c4`` has it.
2. ``canonical`` takes hex in either case and C4 exactly; whatever is not a digest of that format
   gives None, never an error.
"""

import hashlib
import re
from collections.abc import Callable, Iterable
from enum import StrEnum
from typing import Final, Protocol

import xxhash

from backupkeeper.core.c4 import decode_c4, encode_c4
from backupkeeper.core.errors import HostileInputError


class Format(StrEnum):
    """Element names, in the order in which Appendix A wants them."""

    C4 = "c4"
    MD5 = "md5"
    SHA1 = "sha1"
    XXH128 = "xxh128"
    XXH3 = "xxh3"
    XXH64 = "xxh64"


BLAKE3: Final = "blake3"
"""Has no element in the standard: kept under ``metadata`` in a namespace of our own."""

HEX_DIGITS: Final = {
    Format.MD5: 32,
    Format.SHA1: 40,
    Format.XXH128: 32,
    Format.XXH3: 16,
    Format.XXH64: 16,
}
BLAKE3_DIGITS: Final = 64
_HEX: Final = re.compile(r"[0-9a-f]+")


class _Hasher(Protocol):
    def update(self, data: bytes, /) -> object: ...
    def digest(self) -> bytes: ...


_HASHERS: Final[dict[Format, Callable[[], _Hasher]]] = {
    # MD5 and SHA-1 only tell accidents apart here; foreign manifests use them.
    Format.C4: hashlib.sha512,
    Format.MD5: lambda: hashlib.md5(usedforsecurity=False),
    Format.SHA1: lambda: hashlib.sha1(usedforsecurity=False),
    Format.XXH128: xxhash.xxh3_128,
    Format.XXH3: xxhash.xxh3_64,
    Format.XXH64: xxhash.xxh64,
}


def canonical(form: Format, text: str) -> str | None:
    """The digest as we write it, or None if the text is no digest of that format.

    White space between the characters is dropped: printed examples break long digests.
    """
    text = "".join(text.split())
    if form is Format.C4:
        try:
            decode_c4(text)
        except HostileInputError:
            return None
        return text
    return hex_digest(text, HEX_DIGITS[form])


def hex_digest(text: str, digits: int) -> str | None:
    """Lower-case hex of exactly so many ASCII digits, or None."""
    text = text.lower()
    return text if len(text) == digits and _HEX.fullmatch(text) else None


def raw(form: Format, text: str) -> bytes:
    """The bytes of a canonical digest; for C4 the 64 bytes of SHA-512."""
    return decode_c4(text) if form is Format.C4 else bytes.fromhex(text)


def digest_of(form: Format, pieces: Iterable[bytes]) -> str:
    """Digest of the pieces, one after the other, as canonical text."""
    hasher = _HASHERS[form]()
    for piece in pieces:
        hasher.update(piece)
    return encode_c4(hasher.digest()) if form is Format.C4 else hasher.digest().hex()


def c4_of(data: bytes) -> str:
    """The C4 identifier of some bytes."""
    return digest_of(Format.C4, (data,))
