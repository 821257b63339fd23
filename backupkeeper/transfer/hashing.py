"""One pass over the bytes, every digest of them.

Promises:
1. How the bytes are cut into buffers changes nothing: only their order counts.
2. Texts are canonical: lower-case hex, most significant byte first (xxHash's canonical form, as
   ASC MHL writes it), C4 as ``core.c4`` writes it.
"""

import hashlib
from collections.abc import Callable, Iterable
from typing import Protocol

import xxhash
from blake3 import blake3

from backupkeeper.core.c4 import encode_c4
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import BLOCK_BYTES, Blake3, Content, Xxh128

Buffer = bytes | bytearray | memoryview


class _Digest(Protocol):
    def update(self, data: Buffer, /) -> object: ...
    def digest(self) -> bytes: ...


_FURTHER: dict[str, Callable[[], _Digest]] = {
    # MD5 and SHA-1 only tell accidents apart here, and old manifests ask for them.
    "md5": lambda: hashlib.md5(usedforsecurity=False),
    "sha1": lambda: hashlib.sha1(usedforsecurity=False),
    "xxh64": xxhash.xxh64,
    "xxh3": xxhash.xxh3_64,
    "c4": hashlib.sha512,
}
FURTHER_DIGESTS = frozenset(_FURTHER)
"""Names of the digests that can be asked for beside XXH3-128 and BLAKE3 (ASC MHL's elements)."""
_OF_BAGS: dict[str, Callable[[], _Digest]] = {
    "sha224": hashlib.sha224,
    "sha256": hashlib.sha256,
    "sha384": hashlib.sha384,
    "sha512": hashlib.sha512,
}
BAG_DIGESTS = frozenset(_OF_BAGS) | {"md5", "sha1"}
"""Names of the digests that bags use; those that ASC MHL lacks are never remembered."""


class ReadHasher:
    """For reading back: XXH3-128 of the whole and of each ``BLOCK_BYTES`` block."""

    def __init__(self) -> None:
        self.size = 0
        self._whole = xxhash.xxh3_128()
        self._block = xxhash.xxh3_128()
        self._left = BLOCK_BYTES
        self._map = bytearray()

    def update(self, data: Buffer) -> None:
        """Take the next bytes."""
        view = memoryview(data)
        self._whole.update(view)
        self.size += len(view)
        while view:
            piece, view = view[: self._left], view[self._left :]
            if len(piece) == BLOCK_BYTES:
                self._map += xxhash.xxh3_128_digest(piece)
                continue
            self._block.update(piece)
            self._left -= len(piece)
            if not self._left:
                self._close_block()

    def _close_block(self) -> None:
        self._map += self._block.digest()
        self._block.reset()
        self._left = BLOCK_BYTES

    @property
    def xxh128(self) -> Xxh128:
        """Digest of all bytes so far."""
        return Xxh128(self._whole.hexdigest())

    @property
    def block_map(self) -> bytes:
        """Digests of all blocks so far, the begun one too."""
        begun = self._block.digest() if self._left < BLOCK_BYTES else b""
        return bytes(self._map + begun)


class Hasher(ReadHasher):
    """For the first reading of a file: everything that ``Content`` wants.

    Args:
        further: names of further digests; ``xxh128`` is always made and may be named too.

    Raises:
        UsageError: there is no digest of such a name.
    """

    def __init__(self, further: Iterable[str] = ()) -> None:
        super().__init__()
        self._blake3 = blake3()
        self._further: dict[str, _Digest] = {}
        for name in further:
            if name == "xxh128":
                continue
            make = _FURTHER.get(name) or _OF_BAGS.get(name)
            if make is None:
                raise UsageError(f"There is no digest called {name}.")
            self._further[str(name)] = make()

    def update(self, data: Buffer) -> None:
        """Take the next bytes."""
        super().update(data)
        self._blake3.update(data)
        for digest in self._further.values():
            digest.update(data)

    def content(self) -> Content:
        """What was hashed so far, as a value."""
        return Content(
            blake3=Blake3(self._blake3.hexdigest()),
            xxh128=self.xxh128,
            size=self.size,
            block_map=self.block_map,
            digests={
                name: encode_c4(made.digest()) if name == "c4" else made.digest().hex()
                for name, made in self._further.items()
            },
        )


def content_of(data: Buffer) -> Content:
    """What some bytes in memory hash to."""
    hasher = Hasher()
    hasher.update(data)
    return hasher.content()
