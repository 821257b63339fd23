"""Parts of an encrypted object, in order: each takes all that lies before it, but that only once.

The library that decrypts knows no way to begin in the middle, so what is asked for further back than
what was given last begins anew. Whoever wants much of a file does well to ask from its beginning.
"""

from collections.abc import Iterator

from backupkeeper.core.errors import BrokenPromiseError, SourceChangedError
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.ports.bucket import ObjectEntry


class Span:
    """A stream of plain blocks, and where it is.

    Args:
        entry: the object that they are of.
        blocks: all its plain bytes, in blocks of ``BLOCK_BYTES``.
    """

    def __init__(self, entry: ObjectEntry, blocks: Iterator[memoryview]) -> None:
        self._entry = entry
        self._blocks = blocks
        self._held = memoryview(b"")
        self._at = 0
        """Where what is held begins."""

    def goes_on_to(self, entry: ObjectEntry, start: int) -> bool:
        """Whether the bytes from ``start`` on of this very object are still to come."""
        return self._entry.is_still(entry) and start >= self._at

    def taken(self, start: int, end: int) -> Iterator[memoryview]:
        """The bytes from ``start`` to ``end`` (not included), in blocks counted from ``start``.

        Raises:
            SourceChangedError: there are not so many.
        """
        for at in range(start, end, BLOCK_BYTES):
            yield memoryview(self._gathered(at, min(at + BLOCK_BYTES, end)))

    def _gathered(self, start: int, end: int) -> bytes:
        if start < self._at:
            raise BrokenPromiseError("A span was used by two at once.")
        made = bytearray()
        while start < end:
            if start >= self._at + len(self._held):
                self._at += len(self._held)
                block = next(self._blocks, None)
                if block is None:
                    self._held = memoryview(b"")
                    raise SourceChangedError(self._entry.key, how="is shorter than it was")
                self._held = block
                continue
            piece = self._held[start - self._at : end - self._at]
            made += piece
            start += len(piece)
        return bytes(made)
